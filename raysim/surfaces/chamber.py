"""What a reverberation chamber would read of a finite sample, and the way back.

A rectangle of absorber in a hard wall takes in more than its area's share, since sound bends
around its edges (edge effect). Thomasson 1980 (Acustica 44, 265-273): the field impedance
1/cos(theta) of an infinite surface gives way to the radiation impedance of the patch for the
incident wave, averaged over the patch and over azimuth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import j0

from raysim.air import Air, Climate
from raysim.bands import exact_midband_hz
from raysim.errors import SceneError
from raysim.surfaces.admittance import HARDEST, most_absorbing, random_incidence
from raysim.surfaces.construction import Construction, frequencies_in

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Width and length in m of a usual sample, 10.8 m2 (ISO 354:2003 asks for 10 to 12 m2, with
# sides as 0.7 to 1; from memory).
SAMPLE_M = (3.0, 3.6)
HIGHEST_READING = 1.3
ANGLES, POINTS_A_PANEL = 32, 12


@dataclass(frozen=True)
class Reduced:
    """Chamber values brought down to what a large surface absorbs.

    Attributes
    ----------
    absorption : (bands,) float
    how : str
        One sentence.
    """

    absorption: Array
    how: str


def radiation_impedance(
    wave_number: float, sine: ArrayLike, sample_m: tuple[float, float] = SAMPLE_M
) -> Complex:
    """Mean radiation impedance of a rectangle that moves as a wave passes over it.

    j k/(2 pi S) times the double surface integral of exp(-j k R)/R exp(j k sin(theta) ...), with
    the azimuth averaged. What remains is one integral over the distance R of two points, with the
    frequency of that distance in a rectangle.

    Parameters
    ----------
    wave_number : float, 1/m
    sine : (A,) float
        Sine of the angle of incidence.
    sample_m : (2,) float
        Sides.

    Returns
    -------
    (A,) complex, relative to rho0 c0; near 1/cos(theta) for large samples away from grazing.
    """
    short, long = sorted(sample_m)
    ends = [0.0, short, long, float(np.hypot(short, long))]
    total = np.zeros(np.size(sine), dtype=np.complex128)
    for low, high in pairwise(ends):
        panels = 1 + int(wave_number * (high - low) / np.pi)
        part, weights = _panels(panels)
        # Quadratic towards the upper end, where the frequency of distances has a root.
        r = high - (high - low) * (1 - part) ** 2
        step = 2 * (high - low) * (1 - part) * weights
        wave = step * _pairs(r, short, long) * np.exp(-1j * wave_number * r)
        total += j0(wave_number * np.outer(np.ravel(sine), r)) @ wave
    return np.asarray(1j * wave_number / (2 * np.pi * short * long) * total)


def chamber_absorption(
    construction: Construction,
    frequency_hz: ArrayLike,
    air: Climate | Air,
    sample_m: tuple[float, float] = SAMPLE_M,
) -> Array:
    """Sound absorption coefficient that a chamber would give for a sample of this size.

    8 times the integral of Re(Z) sin(theta)/|Z + Zr|^2 over 0 to 90 degrees, Z the surface
    impedance at the angle. Derived for locally reacting surfaces; with extended reaction the
    impedance of the infinite surface stands in. Flush in a hard floor, edges covered, the field
    diffuse: rooms differ from it, by about 0.1 from one laboratory to the next.

    Parameters
    ----------
    frequency_hz : (F,) float
    sample_m : (2,) float
        Sides of the sample.

    Returns
    -------
    (F,) float
        Above 1 where the edges matter.
    """
    air = air.air if isinstance(air, Climate) else air
    theta, weights = _polar_angles()
    f = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    impedance = construction.surface_impedance(f, np.cos(theta), air)
    field = _fields(f, theta, air, sample_m)
    share = impedance.real / np.abs(impedance + field) ** 2
    return np.asarray(8 * share @ (weights * np.sin(theta)))


def chamber_octaves(
    construction: Construction,
    bands_hz: Sequence[float],
    air: Climate | Air,
    per_octave: int = 1,
    sample_m: tuple[float, float] = SAMPLE_M,
) -> Array:
    """(bands,) chamber absorption averaged over octaves, or thirds."""
    each = [frequencies_in(band, per_octave)[1::3] for band in bands_hz]
    values = chamber_absorption(construction, np.concatenate(each), air, sample_m)
    ends = np.cumsum([len(one) for one in each])[:-1]
    return np.array([part.mean() for part in np.split(values, ends)])


def reduce_chamber_values(
    values: ArrayLike,
    bands_hz: Sequence[float],
    air: Climate | Air,
    sample_m: tuple[float, float] = SAMPLE_M,
    where: str = "absorption",
) -> Reduced:
    """Absorption of a large surface that, as a sample, would read these chamber values.

    The surface is taken as locally reacting with a real impedance at each band's middle; among
    those at least as hard as the most absorbing one, that whose sample reads the value gives its
    random-incidence absorption. A value that no such sample reads becomes the largest absorption,
    0.951.

    Parameters
    ----------
    values : (bands,) float
        0 to 1.3.
    bands_hz : sequence of (bands,) float
        Octave labels.
    where : str
        Name of the place for complaints.

    Raises
    ------
    SceneError
        Values outside 0 to 1.3.
    """
    readings = np.asarray(values, dtype=np.float64)
    bad = (readings < 0) | (readings > HIGHEST_READING)
    if bad.any():
        raise SceneError(
            f"{where}: {readings[bad][0]:g} is outside 0 to {HIGHEST_READING:g}, which a chamber "
            "reads of real samples; look for a mistyped value"
        )
    air = air.air if isinstance(air, Climate) else air
    most, softest = most_absorbing()
    hardness = np.geomspace(1 / softest.real, HARDEST, 4000)
    theta, weights = _polar_angles()
    fields = _fields(np.array([exact_midband_hz(band) for band in bands_hz]), theta, air, sample_m)
    absorbed = random_incidence(1 / hardness)
    reduced = []
    for reading, field in zip(readings, fields, strict=True):
        share = hardness[:, None] / np.abs(hardness[:, None] + field) ** 2
        read = 8 * share @ (weights * np.sin(theta))
        top = int(read.argmax())
        # From the softest surface on readings fall with hardness, which interpolation wants rising.
        reduced.append(np.interp(reading, read[top:][::-1], absorbed[top:][::-1]))
    width, length = sorted(sample_m)
    return Reduced(
        np.minimum(reduced, most),
        f"chamber values of a {width:g} x {length:g} m sample reduced to a large surface by "
        "Thomasson's model of the edge effect, taken as locally reacting",
    )


def _panels(count: int) -> tuple[Array, Array]:
    """Points and weights from 0 to 1: a Gauss rule in each of `count` equal parts."""
    points, weights = np.polynomial.legendre.leggauss(POINTS_A_PANEL)
    within = (points + 1) / 2
    return (
        ((np.arange(count)[:, None] + within) / count).ravel(),
        np.tile(weights / (2 * count), count),
    )


def _polar_angles() -> tuple[Array, Array]:
    points, weights = np.polynomial.legendre.leggauss(ANGLES)
    return np.pi / 4 * (points + 1), np.pi / 4 * weights


def _fields(frequency_hz: Array, theta: Array, air: Air, sample_m: tuple[float, float]) -> Complex:
    waves = 2 * np.pi * frequency_hz / air.speed_of_sound
    return np.stack([radiation_impedance(float(k), np.sin(theta), sample_m) for k in waves])


def _pairs(r: Array, a: float, b: float) -> Array:
    """Integral over all directions of the overlap of a rectangle a <= b with itself moved by r.

    (a - r |cos|)+ (b - r |sin|)+ over the circle, in closed form.
    """
    low = np.where(r > a, np.arccos(np.minimum(a / r, 1.0)), 0.0)
    high = np.where(r > b, np.arcsin(np.minimum(b / r, 1.0)), np.pi / 2)
    overlap = (
        a * b * (high - low)
        - a * r * (np.cos(low) - np.cos(high))
        - b * r * (np.sin(high) - np.sin(low))
        + r**2 / 2 * (np.sin(high) ** 2 - np.sin(low) ** 2)
    )
    return np.asarray(4 * np.maximum(overlap, 0.0))
