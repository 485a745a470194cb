"""Levels of the bass by third-octave: over the head zone, and in corners against the room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_edges_hz, bands_within_hz
from raysim.results.data import Bass

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ZoneLevels:
    """Third-octave levels over the head zone, re the free field at 10 m.

    Attributes
    ----------
    bands_hz : (band,) nominal
    level_db : (variant, source, receiver, band) float
        At the receiver.
    lowest_db, highest_db : same shape
        Over the receiver and the corners of its zone.
    """

    bands_hz: tuple[float, ...]
    level_db: Array
    lowest_db: Array
    highest_db: Array

    @property
    def spread_db(self) -> Array:
        """Highest less lowest: by how much a head that moves hears the band change."""
        return self.highest_db - self.lowest_db


@dataclass(frozen=True)
class CornerLevels:
    """Third-octave levels in the corners, (variant, source, band), dB.

    Attributes
    ----------
    bands_hz : (band,) nominal
    over_room : float
        Mean squared pressure over the corners re that over the whole room.
    over_middle : float
        The same re the inner half of the room's length, width and height.
    loudest : tuple of str
        Corner of the highest level in each band, first variant, mean over the sources.
    """

    bands_hz: tuple[float, ...]
    over_room: Array
    over_middle: Array
    loudest: tuple[str, ...]


def level_db(square: Array) -> Array:
    """10 lg of a squared pressure; -inf where there is none."""
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(square))


def band_squares(frequency_hz: Array, square: Array, bands_hz: Sequence[float]) -> Array:
    """(..., band) means of squared pressures (..., frequency) over thirds of nominal labels."""
    means = []
    for label in bands_hz:
        low, high = band_edges_hz(label, 3)
        own = (frequency_hz >= low) & (frequency_hz < high)
        means.append(square[..., own].mean(axis=-1))
    return np.stack(means, axis=-1)


def third_octaves_of(bass: Bass) -> tuple[float, ...]:
    """Nominal thirds that lie wholly within what was computed."""
    return bands_within_hz(float(bass.frequency_hz[0]), float(bass.frequency_hz[-1]))


def zone_levels(bass: Bass) -> ZoneLevels:
    """Third-octave levels at each receiver and their range over its head zone."""
    bands = third_octaves_of(bass)
    levels = level_db(band_squares(bass.frequency_hz, np.abs(bass.zone) ** 2, bands))
    return ZoneLevels(bands, levels[..., 0, :], levels.min(axis=3), levels.max(axis=3))


def seat_levels_db(bass: Bass) -> tuple[Array, Array, Array]:
    """(variant, source, receiver, frequency) dB: at the receiver, lowest and highest in the zone.

    Re the free field of the same source at 10 m.
    """
    levels = level_db(np.abs(bass.zone) ** 2)
    return levels[..., 0, :], levels.min(axis=3), levels.max(axis=3)


def corner_levels(bass: Bass) -> CornerLevels | None:
    """Corners against the room and against its middle; None for a room without corners.

    A corner that a variant fills counts in it no more.
    """
    field, bands = bass.field, third_octaves_of(bass)
    if not field.corner_name or not bands:
        return None
    square = np.abs(field.corner).astype(np.float64) ** 2
    there = np.isfinite(square)
    count = there.sum(axis=2)
    mean = np.where(there, square, 0.0).sum(axis=2) / np.maximum(count, 1)
    mean = np.where(count > 0, mean, np.nan)
    corners, room, middle = (
        band_squares(bass.frequency_hz, each, bands)
        for each in (mean, field.mean_square, field.middle_square)
    )
    each = band_squares(bass.frequency_hz, np.where(there, square, 0.0)[0].mean(axis=0), bands)
    loudest = tuple(field.corner_name[int(n)] for n in each.argmax(axis=0))
    return CornerLevels(
        bands, level_db(corners) - level_db(room), level_db(corners) - level_db(middle), loudest
    )
