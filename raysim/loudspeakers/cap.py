"""A driver in a cabinet as a cap that vibrates on a rigid sphere (docs/theory/loudspeakers.md)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import eval_legendre, j1, spherical_jn, spherical_yn

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def equal_sphere_m(cabinet_m: ArrayLike) -> float:
    """Radius in m of the sphere with the volume of a cabinet of (width, depth, height) in m."""
    return float(np.cbrt(3 * np.prod(np.asarray(cabinet_m, dtype=np.float64)) / (4 * np.pi)))


def cap_pressure(
    wavenumber: ArrayLike, piston_radius_m: float, sphere_radius_m: float, angle: ArrayLike
) -> Complex:
    """Far-field pressure of an axially vibrating cap on a rigid sphere, re that on its axis.

    Parameters
    ----------
    wavenumber : (n,) float
        2 pi f / c, 1/m.
    piston_radius_m : float
        Radius of the cap's rim: of the driver's moving part. Less than the sphere's.
    sphere_radius_m : float
    angle : (m,) float
        From the axis, radians.

    Returns
    -------
    (n, m) complex
        sum_l j^l u_l P_l(cos angle) / h_l'(kR), divided by its value at angle 0; h_l the
        spherical Hankel function of the second kind (time exp(+j omega t)), u_l the Legendre
        coefficients of the normal velocity cos(angle) on the cap.

    Notes
    -----
    Morse and Ingard 1968, 7.2 (sources on a sphere); cap of axial velocity: Aarts and Janssen
    2011, J. Audio Eng. Soc. 59, 211-226. Terms beyond kR fall faster than any power; as many are
    taken as leave less than 1e-12 of the axial pressure.
    """
    k = np.atleast_1d(np.asarray(wavenumber, dtype=np.float64))
    size = k * sphere_radius_m
    largest = float(size.max(initial=0.0))
    orders = np.arange(int(np.ceil(largest + 10 * np.cbrt(largest) + 20)))
    velocity = _axial_coefficients(len(orders), piston_radius_m / sphere_radius_m)
    weight = velocity * 1j ** (orders % 4) * _inverse_slope(orders, size)
    shape = eval_legendre(orders[:, None], np.cos(np.atleast_1d(np.asarray(angle))))
    return np.asarray((weight @ shape) / weight.sum(axis=1, keepdims=True))


def _axial_coefficients(count: int, sine: float) -> Array:
    """Legendre coefficients of cos(angle) on a cap whose half-angle has this sine.

    u_l = (2l+1)/2 * integral of x P_l(x) from c to 1, by x P_l = ((l+1) P_{l+1} + l P_{l-1}) /
    (2l+1) and integral of P_n = (P_{n-1}(c) - P_{n+1}(c)) / (2n+1).
    """
    legendre = eval_legendre(np.arange(count + 3), np.sqrt(1.0 - sine**2))
    below = np.concatenate([[1.0], legendre[:-2]])
    integral = (below - legendre[1:]) / (2 * np.arange(count + 2) + 1)
    order = np.arange(count)
    before = np.concatenate([[0.0], integral[: count - 1]])
    return np.asarray(((order + 1) * integral[1 : count + 1] + order * before) / 2)


def _inverse_slope(orders: NDArray[np.int64], size: Array) -> Complex:
    """1 / h_l'(x), (sizes, orders); 0 where |h_l'| exceeds what a float holds."""
    regular = spherical_jn(orders, size[:, None], derivative=True)
    irregular = spherical_yn(orders, size[:, None], derivative=True)
    with np.errstate(over="ignore"):
        slope = np.where(np.isfinite(irregular), irregular, np.inf)
        square = regular**2 + slope**2
    with np.errstate(invalid="ignore"):
        imaginary = np.where(np.isinf(square), 0.0, slope / square)
    return np.asarray(regular / square + 1j * imaginary)


def piston_pressure(wavenumber: ArrayLike, piston_radius_m: float, angle: ArrayLike) -> Array:
    """Far field of a flat piston in an infinite baffle re its axis, (n, m): 2 J1(x)/x.

    x = k a sin(angle); Rayleigh 1896, Theory of Sound, 302.
    """
    k = np.atleast_1d(np.asarray(wavenumber, dtype=np.float64))
    x = k[:, None] * piston_radius_m * np.sin(np.atleast_1d(np.asarray(angle)))
    return np.asarray(np.where(x == 0, 1.0, 2 * j1(x) / np.where(x == 0, 1.0, x)))
