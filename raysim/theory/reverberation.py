"""Diffuse-field estimates: what closed formulas say of a room from its volume and absorption.

They are shown beside the traced result as a line of plausibility, never as the result. They
assume an even sound field; a room with its absorption on one surface, or one much flatter than a
cube, departs from them by a factor, in either direction.

Shapes: `areas` (n,) in m2, `absorption` (n, bands), `volume` in m3, `speed` in m/s,
`attenuation` (bands,) in 1/m, the energy attenuation m of air.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

SIXTY_DB = 6.0 * np.log(10.0)


def mean_absorption(areas: ArrayLike, absorption: ArrayLike) -> Array:
    """Area-weighted mean absorption coefficient, (bands,)."""
    areas = np.asarray(areas, dtype=np.float64)
    return np.asarray(areas @ np.asarray(absorption, dtype=np.float64) / areas.sum())


def mean_free_path(volume: float, area: float) -> float:
    """4V/S in m: exact for diffusely reflecting surfaces in a room of any shape."""
    return 4.0 * volume / area


def sabine_time(
    areas: ArrayLike,
    absorption: ArrayLike,
    volume: float,
    speed: float,
    attenuation: ArrayLike = 0.0,
) -> Array:
    """Sabine's decay time in s, (bands,): 24 ln 10 V / (c (sum S a + 4 m V)); from memory.

    Holds for small absorption; it keeps a finite time where every surface absorbs all.
    """
    areas = np.asarray(areas, dtype=np.float64)
    lost = mean_absorption(areas, absorption) * areas.sum()
    return _time_s(lost, volume, speed, attenuation)


def eyring_time(
    areas: ArrayLike,
    absorption: ArrayLike,
    volume: float,
    speed: float,
    attenuation: ArrayLike = 0.0,
) -> Array:
    """Eyring's decay time in s, (bands,): as Sabine's with -S ln(1 - mean a); from memory.

    Takes every free path as 4V/S long. Exact decays of rooms with diffuse surfaces and even
    absorption are longer: by 2 to 20 % in boxes, 0.6 to 11 % in a sphere.
    """
    areas = np.asarray(areas, dtype=np.float64)
    with np.errstate(divide="ignore"):
        exponent = -np.log1p(-mean_absorption(areas, absorption))
    return _time_s(exponent * areas.sum(), volume, speed, attenuation)


def kuttruff_time(
    areas: ArrayLike,
    absorption: ArrayLike,
    volume: float,
    speed: float,
    attenuation: ArrayLike = 0.0,
    path_variance: float = 0.4,
) -> Array:
    """Eyring's time corrected for the spread of free paths, (bands,); from memory.

    With a = -ln(1 - mean absorption): a (1 - path_variance a / 2) in place of a. Holds while
    path_variance * a is well below 1; NaN from 1 on, where the expansion turns back.

    Parameters
    ----------
    path_variance : float
        Variance of the free path over its mean squared: 1/8 in a sphere, 0.345 in a cube, about
        0.4 in usual rooms.
    """
    areas = np.asarray(areas, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        exponent = -np.log1p(-mean_absorption(areas, absorption))
        corrected = exponent * (1.0 - path_variance * exponent / 2.0)
    corrected = np.where(path_variance * exponent < 1.0, corrected, np.nan)
    return _time_s(corrected * areas.sum(), volume, speed, attenuation)


def eyring_range(
    areas: ArrayLike,
    absorption: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    volume: float,
    speed: float,
    attenuation: ArrayLike = 0.0,
) -> tuple[Array, Array]:
    """Factors by which the decay time may be shorter and longer, (bands,) each.

    For what is not known of the absorption: each row (a material) moves alone to the end of its
    range; the logarithms of the changes are added as squares, for errors of different materials
    are independent. That is narrower than all materials at their worst together, which would be
    believed of no room.

    Parameters
    ----------
    low, high : (n, bands) float
        Range of each row's absorption.

    Returns
    -------
    shorter, longer : (bands,) float
        At most 1 and at least 1; NaN or 0 and infinite where a time is 0 or infinite.
    """
    absorption = np.asarray(absorption, dtype=np.float64)
    middle = eyring_time(areas, absorption, volume, speed, attenuation)
    factors = []
    for end in (np.asarray(high, dtype=np.float64), np.asarray(low, dtype=np.float64)):
        squares = np.zeros(absorption.shape[1])
        for row in range(len(absorption)):
            moved = absorption.copy()
            moved[row] = end[row]
            time_s = eyring_time(areas, moved, volume, speed, attenuation)
            with np.errstate(invalid="ignore", divide="ignore"):
                squares += np.log(time_s / middle) ** 2
        factors.append(np.exp(np.sqrt(squares)))
    return 1.0 / factors[0], factors[1]


def schroeder_frequency(time_s: ArrayLike, volume: float) -> Array:
    """Frequency in Hz above which three modes overlap: 2000 sqrt(T/V) (Schroeder 1996)."""
    return np.asarray(2000.0 * np.sqrt(np.asarray(time_s, dtype=np.float64) / volume))


def critical_distance(
    time_s: ArrayLike, volume: float, speed: float, index_db: ArrayLike = 0.0
) -> Array:
    """Distance in m on a source's axis at which its direct sound equals the diffuse field.

    sqrt(Q A / (16 pi)) with A = 24 ln 10 V / (c T), the absorption area (Schroeder 1996: Q = 1),
    and Q the energy on the axis over the mean of all directions: 10 lg Q is the directivity index.

    Parameters
    ----------
    time_s : (...) float
        Decay time.
    index_db : (...) float
        Directivity index; broadcast against `time_s`.
    """
    area = 4.0 * SIXTY_DB * volume / (speed * np.asarray(time_s, dtype=np.float64))
    factor = 10.0 ** (np.asarray(index_db, dtype=np.float64) / 10.0)
    return np.asarray(np.sqrt(factor * area / (16.0 * np.pi)))


def _time_s(lost: ArrayLike, volume: float, speed: float, attenuation: ArrayLike) -> Array:
    with np.errstate(divide="ignore"):
        area = np.asarray(lost) + 4.0 * np.asarray(attenuation, dtype=np.float64) * volume
        return np.asarray(4.0 * SIXTY_DB * volume / (speed * area))
