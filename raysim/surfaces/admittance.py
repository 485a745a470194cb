"""Admittance of a locally reacting surface from its random-incidence absorption, and back.

Kuttruff, Room Acoustics, chapter 2: an impedance z (relative to rho0 c0) that doesn't depend on
the angle reflects (z cos - 1)/(z cos + 1). Its diffuse absorption has a maximum of 0.951 at
z = 1.567; more can't be represented this way.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raysim.errors import SceneError

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

HARDEST = 1e12
SERIES_BELOW = 1e-4


def random_incidence(admittance: ArrayLike) -> Array:
    """Random-incidence absorption of locally reacting surfaces.

    Integral of alpha sin(2 theta) over 0 to 90 degrees in closed form; for a real admittance b
    it is 8 b (1 + b/(1 + b) - 2 b ln(1 + 1/b)).

    Parameters
    ----------
    admittance : (n,) complex
        Times rho0 c0; real part not negative.

    Returns
    -------
    (n,) float
    """
    beta = np.atleast_1d(np.asarray(admittance, dtype=np.complex128))
    quiet = beta == 0
    z = 1 / np.where(quiet, 1.0, beta)
    size, phase = np.abs(z), np.angle(z)
    cos, sin = np.cos(phase), np.sin(phase)
    steep = np.abs(sin) > 1e-6
    angle = np.arctan2(size * sin, 1 + size * cos) / np.where(steep, sin, 1.0)
    angle = np.where(steep, angle, size / (1 + size))
    bracket = size + np.cos(2 * phase) * angle - cos * np.log1p(2 * size * cos + size**2)
    alpha = 8 * cos / size**2 * bracket
    # Of soft surfaces the bracket is a small difference of large numbers.
    alpha = np.where(size < SERIES_BELOW, 8 * cos * size / 3, alpha)
    return np.where(quiet, 0.0, alpha)


def most_absorbing(phase_deg: float = 0.0) -> tuple[float, complex]:
    """Largest random-incidence absorption of a given phase, and its admittance."""
    from scipy.optimize import minimize_scalar  # takes long; rays alone don't need it

    turn = np.exp(1j * np.radians(phase_deg))

    def loss(log_size: float) -> float:
        return -float(random_incidence(turn * np.exp(log_size))[0])

    best = minimize_scalar(loss, bounds=(-6.0, 4.0), method="bounded", options={"xatol": 1e-10})
    return -float(best.fun), complex(turn * np.exp(best.x))


def admittance_from_absorption(
    absorption: ArrayLike, where: str = "absorption", phase_deg: float = 0.0
) -> Complex:
    """Admittance, times rho0 c0, that absorbs so much at random incidence.

    Of the two that do, the one of the harder surface.

    Parameters
    ----------
    absorption : (n,) float
    where : str
        Name of the place for complaints.
    phase_deg : float
        Phase of the admittance, which the absorption says nothing of: 0 for a real one, 0 to 90
        for a surface that is stiff like a thin porous layer, negative for a mass.

    Returns
    -------
    (n,) complex

    Raises
    ------
    SceneError
        A value below 0 or above what any such surface absorbs, with the nearest that one does.
    """
    if not -90 < phase_deg < 90:
        raise SceneError(f"{where}: a phase of {phase_deg:g} degrees is not between -90 and 90")
    values = np.atleast_1d(np.asarray(absorption, dtype=np.float64))
    most, softest = most_absorbing(phase_deg)
    turn = np.exp(1j * np.radians(phase_deg))
    found = np.zeros(len(values), dtype=np.complex128)
    for k, value in enumerate(values):
        if not 0 <= value <= most:
            nearest = most if value > most else 0.0
            about = "real" if phase_deg == 0 else f"{phase_deg:g} degree"
            raise SceneError(
                f"{where}: {value:.4g} is outside 0 to {most:.3f}, which a locally reacting "
                f"surface of {about} admittance can absorb at random incidence; the nearest is "
                f"{nearest:.3f}"
            )
        if value > 0:
            found[k] = turn * _harder(float(value), turn, abs(softest))
    return found


def admittance_by_frequency(
    absorption: ArrayLike, midbands_hz: ArrayLike, frequencies_hz: ArrayLike
) -> Array:
    """Real admittance, times rho0 c0, that absorbs as much at random incidence as given by band.

    By straight lines over the logarithm of frequency, constant beyond the outer bands. More than
    such a surface can absorb (`most_absorbing`) is taken as that.

    Parameters
    ----------
    absorption, midbands_hz : (bands,) float
    frequencies_hz : (F,) float

    Returns
    -------
    (F,) float
    """
    most = most_absorbing()[0] * (1 - 1e-6)
    by_band = admittance_from_absorption(np.minimum(absorption, most)).real
    return np.interp(np.log(frequencies_hz), np.log(midbands_hz), by_band)


def _harder(value: float, turn: complex, softest: float) -> float:
    from scipy.optimize import brentq

    def excess(log_size: float) -> float:
        return float(random_incidence(turn * np.exp(log_size))[0]) - value

    top = float(np.log(softest))
    if excess(top) <= 0:
        return softest
    return float(np.exp(brentq(excess, -np.log(HARDEST), top, xtol=1e-13)))
