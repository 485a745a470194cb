"""How even the bass is at a seat: over its head zone, and within the materials' ranges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.digits import with_error
from raysim.quantities.bass_levels import band_squares, level_db, third_octaves_of
from raysim.quantities.bass_ranges import responses_at_ends
from raysim.quantities.playback import playbacks_of
from raysim.results.data import Bass, Result

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

EVEN_FROM_HZ, EVEN_TO_HZ = 40.0, 200.0
LEAST_THIRDS = 3


@dataclass(frozen=True)
class Evenness:
    """Standard deviation of third-octave levels from 40 to 200 Hz, all sources together.

    NaN with fewer than three thirds.

    Attributes
    ----------
    zone_db : (receiver, point) float
        At each place of the head zone.
    at_ends_db : (receiver, 2) float
        What the mean over the zone becomes where the materials absorb least and most within their
        ranges.
    """

    zone_db: Array
    at_ends_db: Array

    @property
    def value_db(self) -> Array:
        """(receiver,) mean over the head zone."""
        return np.asarray(self.zone_db.mean(axis=-1))

    @property
    def spread_db(self) -> Array:
        """(receiver,) standard deviation over the head zone."""
        return np.asarray(self.zone_db.std(axis=-1))

    @property
    def range_db(self) -> Array:
        """(receiver, 2) lowest and highest of as computed and both ends."""
        every = np.concatenate([self.value_db[:, None], self.at_ends_db], axis=1)
        return np.stack([every.min(axis=1), every.max(axis=1)], axis=1)

    def of(self, receivers: list[int]) -> Evenness:
        """Of some receivers only."""
        return Evenness(self.zone_db[receivers], self.at_ends_db[receivers])


def evenness_words(before: Evenness, after: Evenness, receiver: int, name: str) -> list[str]:
    """One sentence on what changes at a receiver; none where it is undefined."""
    ends = [
        (float(e.value_db[receiver]), float(e.spread_db[receiver]), *e.range_db[receiver])
        for e in (before, after)
    ]
    if not np.isfinite(ends).all():
        return []
    first, last = (f"{with_error(v, s)} ({low:.1f} to {high:.1f})" for v, s, low, high in ends)
    moved = after.zone_db[receiver] - before.zone_db[receiver]
    return [
        f"Unevenness of third-octaves {EVEN_FROM_HZ:g} to {EVEN_TO_HZ:g} Hz at “{name}”: "
        f"{first} to {last} dB, a change of {with_error(float(moved.mean()), float(moved.std()))} "
        "dB; ± over the head zone, in brackets within the materials' ranges."
    ]


def evenness(result: Result, bass: Bass) -> Evenness:
    """Evenness in the first variant at every receiver; its ends by `bass_ranges`."""
    zone_db = _unevenness(result, bass, bass.zone[0])
    here = zone_db[:, 0]
    ends = [
        zone_db.mean(axis=-1) + _unevenness(result, bass, moved[:, :, None])[:, 0] - here
        for moved in responses_at_ends(result, bass)
    ]
    return Evenness(zone_db, np.stack(ends, axis=1))


def _unevenness(result: Result, bass: Bass, pressure: Complex) -> Array:
    """(receiver, point) dB of pressures (source, receiver, point, F)."""
    f = bass.frequency_hz
    thirds = [b for b in third_octaves_of(bass) if EVEN_FROM_HZ <= b <= EVEN_TO_HZ]
    if len(thirds) < LEAST_THIRDS:
        return np.full(pressure.shape[1:3], np.nan)
    weights = playbacks_of(result.scene)[-1].weights(f)
    together = np.einsum("sf,srpf->rpf", weights, pressure)
    levels = level_db(band_squares(f, np.abs(together) ** 2, thirds))
    return np.asarray(levels.std(axis=-1))
