"""Dips of the joined response, and which surface makes each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from raysim.quantities.bass_levels import level_db
from raysim.quantities.image_sum import Images
from raysim.quantities.response import covers_in, paths_between, smoothed
from raysim.results.data import Result
from raysim.results.response import Response

Array = NDArray[np.float64]

FINE, BROAD = 12, 0.5  # to an octave: a dip of the one below the other
DEEPEST_COUNT = 8
HIGHEST_HZ = 2000.0
DEPTH_DB = 5.0
FILLED_DB = 3.0
OPPOSITE = -0.7  # cosine of the phase against the direct sound


@dataclass(frozen=True)
class Dip:
    """A dip of one source's response at a receiver.

    Attributes
    ----------
    frequency_hz : float
    depth_db : float
        Of the mean over 1/12 octave below that over two octaves.
    surface : str
        Whose first reflection makes it; empty where it takes several, or modes.
    gain_db : float
        By how much direct sound and first reflections are louder there without that one, which
        must come within 45 degrees of opposite phase to the direct sound.
    by_waves : bool
        Whether the level there is by waves mainly.
    """

    frequency_hz: float
    depth_db: float
    surface: str
    gain_db: float
    by_waves: bool


def find_dips(
    result: Result, response: Response, variant: int, source: int, receiver: int
) -> tuple[Dip, ...]:
    """The deepest dips up to 2 kHz at least 5 dB deep, rising in frequency.

    Below the lowest mode of the room there is no interference: what falls there is no dip.
    """
    f = response.frequency_hz
    depth = depth_db(f, 10 ** (response.level_db[variant, source, receiver].astype(float) / 10))
    found, _ = find_peaks(np.where(f <= HIGHEST_HZ, depth, 0), height=DEPTH_DB, prominence=DEPTH_DB)
    found = found[f[found] > _lowest_mode_hz(result, variant)]
    deepest = sorted(found, key=lambda i: -depth[i])[:DEEPEST_COUNT]
    scene = result.scene_in(variant)
    images = Images(scene, covers_in(result, variant))
    paths = [p for p in paths_between(result, variant, source, receiver) if p.order <= 1]
    dips = []
    for i in sorted(deepest):
        surface, gain = "", float("nan")
        each = np.array([images.pressure([p], f[i : i + 1])[0] for p in paths])
        straight = np.array([p.order == 0 for p in paths])
        if straight.any() and not straight.all():
            gains = 20 * np.log10(np.abs(each.sum() - each) / max(np.abs(each.sum()), 1e-9))
            cosine = np.cos(np.angle(each) - np.angle(each[straight].sum()))
            gains[cosine > OPPOSITE] = -np.inf  # the direct sound itself, too
            best = int(gains.argmax())
            if gains[best] >= FILLED_DB:
                facet = scene.facets[paths[best].facets[0]]
                surface, gain = scene.surfaces[facet.surface].name, float(gains[best])
        by_waves = bool(response.bass_share[i] >= 0.5)
        dips.append(Dip(float(f[i]), float(depth[i]), surface, gain, by_waves))
    return tuple(dips)


def depth_db(frequency_hz: Array, square: Array) -> Array:
    """(..., F) by how much squared pressures lie below what is around them."""
    broad, fine = (smoothed(frequency_hz, square, each) for each in (BROAD, FINE))
    return level_db(broad) - level_db(fine)


def _lowest_mode_hz(result: Result, variant: int) -> float:
    """0 where none is known."""
    if result.bass is None:
        return 0.0
    own = result.bass.mode_frequency_hz[result.bass.mode_variant == variant]
    return float(own.min()) if len(own) else 0.0
