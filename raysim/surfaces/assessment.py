"""Everything that one wants to know of a construction, computed once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.air import Climate
from raysim.bands import THIRD_LABELS_HZ, exact_midband_hz
from raysim.surfaces.chamber import SAMPLE_M, chamber_octaves
from raysim.surfaces.construction import (
    Construction,
    absorption_by_angle,
    absorption_range,
    octave_absorption,
)
from raysim.surfaces.ratings import (
    NRC_BANDS_HZ,
    SAA_THIRDS_HZ,
    WEIGHTED_BANDS_HZ,
    WeightedAbsorption,
    noise_reduction_coefficient,
    sound_absorption_average,
    weighted_absorption,
)
from raysim.surfaces.table import TABLE_BANDS_HZ
from raysim.surfaces.validity import doubts

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Bands:
    """Absorption by band; arrays are (bands,), NaN where a model refuses the band.

    Attributes
    ----------
    per_octave : int
        1 or 3.
    normal, random : (bands,) float
        Mean absorption along the normal and from all sides.
    low, high : (bands,) float
        Range of `random`.
    chamber : (bands,) float
        What a chamber would read of a sample of 3 x 3.6 m; NaN with an open backing.
    impedance : (bands,) complex
        Surface impedance along the normal at the band's exact middle, relative to rho0 c0.
    """

    bands_hz: tuple[float, ...]
    per_octave: int
    normal: Array
    random: Array
    low: Array
    high: Array
    chamber: Array
    impedance: Complex


@dataclass(frozen=True)
class SingleNumbers:
    """Ratings of one set of absorption values; None where a band is missing."""

    weighted: WeightedAbsorption | None
    nrc: float | None
    saa: float | None


@dataclass(frozen=True)
class Assessment:
    """A construction by octaves and thirds, with its ratings and doubts.

    Attributes
    ----------
    of_chamber, of_surface : SingleNumbers
        From the chamber estimate, as laboratories do, and from the large surface.
    """

    construction: Construction
    octaves: Bands
    thirds: Bands
    of_chamber: SingleNumbers
    of_surface: SingleNumbers
    doubts: tuple[str, ...]

    @property
    def name(self) -> str:
        """The layers as written, in one line."""
        return ", ".join(self.construction.texts)


def assess(construction: Construction, climate: Climate | None = None) -> Assessment:
    """Octaves 63 Hz to 8 kHz and thirds 50 Hz to 10 kHz of a construction."""
    climate = climate or Climate()
    octaves = _bands(construction, TABLE_BANDS_HZ, 1, climate)
    thirds = _bands(construction, THIRD_LABELS_HZ, 3, climate)
    return Assessment(
        construction,
        octaves,
        thirds,
        _numbers(octaves.chamber, thirds.chamber),
        _numbers(octaves.random, thirds.random),
        tuple(doubts(construction, TABLE_BANDS_HZ, climate)),
    )


def _bands(
    construction: Construction, bands_hz: Sequence[float], per_octave: int, climate: Climate
) -> Bands:
    middles = [exact_midband_hz(band, per_octave) for band in bands_hz]
    low, high = absorption_range(construction, bands_hz, climate, per_octave)
    if construction.backing == "rigid":
        chamber = chamber_octaves(construction, bands_hz, climate, per_octave, SAMPLE_M)
    else:
        chamber = np.full(len(bands_hz), np.nan)
    return Bands(
        tuple(bands_hz),
        per_octave,
        normal=absorption_by_angle(construction, bands_hz, climate, [1.0], per_octave)[0],
        random=octave_absorption(construction, bands_hz, climate, per_octave),
        low=low,
        high=high,
        chamber=chamber,
        impedance=construction.surface_impedance(middles, [1.0], climate)[:, 0],
    )


def _numbers(octaves: Array, thirds: Array) -> SingleNumbers:
    weighted = octaves[[TABLE_BANDS_HZ.index(band) for band in WEIGHTED_BANDS_HZ]]
    noise = octaves[[TABLE_BANDS_HZ.index(band) for band in NRC_BANDS_HZ]]
    average = thirds[[THIRD_LABELS_HZ.index(band) for band in SAA_THIRDS_HZ]]
    return SingleNumbers(
        None if np.isnan(weighted).any() else weighted_absorption(weighted),
        None if np.isnan(noise).any() else noise_reduction_coefficient(noise),
        None if np.isnan(average).any() else sound_absorption_average(average),
    )
