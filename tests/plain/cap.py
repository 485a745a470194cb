"""Far field of a cap on a sphere by the Helmholtz integral over the sphere's surface.

The velocity enters as it is (cos on the cap, nothing elsewhere), the surface pressure by its
slowly converging series, everything by Gauss quadrature: no far-field series, no closed
coefficients.
"""

from __future__ import annotations

import numpy as np
from scipy.special import eval_legendre, hankel2, j0, j1


def far_pressure(wavenumber, piston_radius, sphere_radius, angles, terms=400, nodes=600):
    """(m,) complex pressure re its axis; one wavenumber."""
    size = wavenumber * sphere_radius
    rim = np.sqrt(1 - (piston_radius / sphere_radius) ** 2)
    x, w = np.polynomial.legendre.leggauss(nodes)
    cap = rim + (1 - rim) * (x + 1) / 2, w * (1 - rim) / 2
    rest = -1 + (1 + rim) * (x + 1) / 2, w * (1 + rim) / 2
    cosine, weight = (np.concatenate(pair) for pair in zip(cap, rest, strict=True))
    velocity = np.where(cosine > rim, cosine, 0.0)

    order = np.arange(terms)[:, None]
    legendre = eval_legendre(order, cosine)
    coefficient = (2 * order[:, 0] + 1) / 2 * (legendre @ (weight * velocity))
    pressure = -1j * (coefficient * impedance(terms, size)) @ legendre

    across, along = np.sin(angles)[:, None], np.cos(angles)[:, None]
    sine = np.sqrt(1 - cosine**2)
    ripple = size * across * sine
    phase = np.exp(1j * size * along * cosine)
    monopole = j0(ripple) * phase
    dipole = (along * cosine * j0(ripple) + 1j * across * sine * j1(ripple)) * phase
    far = (dipole * pressure + monopole * velocity) @ weight
    return far / far[0]


def impedance(terms, size):
    """h_l(x) / h_l'(x), (terms,); beyond what a float holds, its limit -x/(l+1)."""
    order = np.arange(terms)
    with np.errstate(invalid="ignore", over="ignore"):
        here, below = hankel2(order + 0.5, size), hankel2(order - 0.5, size)
        ratio = 1 / (below / here - (order + 1) / size)
    return np.where(np.isfinite(ratio), ratio, -size / (order + 1))
