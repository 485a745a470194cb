"""The bass at the receivers where the materials absorb least and most within their ranges.

Estimated from the modes as they are at the receiver: each mode's decay time goes to the end of its
range, and its part of the sum changes from 1 / (k_m^2 - k^2) accordingly (Kuttruff, Room
Acoustics, ch. 3). Above the highest mode the sound that isn't direct grows as the square root of
the decay time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.quantities.bass_levels import band_squares, level_db, third_octaves_of
from raysim.quantities.bass_modes import Mode, modes_of
from raysim.quantities.plausibility import diffuse_field
from raysim.results.data import Bass, Result

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

FREE_FIELD = 40 * np.pi  # times 1/(4 pi r) is 10/r, the reference at 10 m
DECAY = 3 * np.log(10)  # nepers of 60 dB
EDGE_HZ = 200.0  # of its octave is the share above the highest mode


def responses_at_ends(result: Result, bass: Bass) -> Complex:
    """(2, source, receiver, F) of the first variant: least absorbed, then most."""
    modes = [m for m in modes_of(result, bass) if m.variant == 0]
    field = diffuse_field(result.scene, result.variants[0])
    edge = int(np.abs(np.log(np.array(result.scene.bands_hz) / EDGE_HZ)).argmin())
    return np.stack(
        [
            _moved(result, bass, modes, "longest_s", float(field.longer[edge])),
            _moved(result, bass, modes, "shortest_s", float(field.shorter[edge])),
        ]
    )


def seat_range_db(bass: Bass, at_ends: Complex) -> tuple[Array, Array]:
    """(source, receiver, third) lowest and highest level at the receiver, first variant.

    Of as computed and `at_ends`, re the free field at 10 m.
    """
    every = np.concatenate([bass.response[:1], at_ends])
    levels = level_db(band_squares(bass.frequency_hz, np.abs(every) ** 2, third_octaves_of(bass)))
    return levels.min(axis=0), levels.max(axis=0)


def _moved(result: Result, bass: Bass, modes: list[Mode], end: str, share: float) -> Complex:
    """(source, receiver, F) response with the modes' decay times at one end of their ranges."""
    scene, f = result.scene_in(0), bass.frequency_hz
    speed = scene.climate.speed_of_sound
    k = 2 * np.pi * f / speed
    pressure: Complex = bass.response[0].copy()
    for mode in (m for m in modes if np.isfinite(m.decay_time_s)):
        own_k = 2 * np.pi * mode.frequency_hz / speed
        change = 0j
        for time_s, sign in ((getattr(mode, end), 1), (mode.decay_time_s, -1)):
            change = change + sign / ((own_k + 1j * DECAY / (speed * time_s)) ** 2 - k**2)
        ways = mode.at_sources[:, None] * mode.at_receivers
        pressure += FREE_FIELD / scene.volume * ways[..., None] * change
    above = f > max((m.frequency_hz for m in modes), default=0.0)
    direct = _direct(result, k)
    pressure[..., above] = (direct + np.sqrt(share) * (bass.response[0] - direct))[..., above]
    return pressure


def _direct(result: Result, k: Array) -> Complex:
    """(source, receiver, F) free field re that at 10 m."""
    scene = result.scene_in(0)
    sources, receivers = (
        np.array([one.position for one in each]) for each in (scene.sources, scene.receivers)
    )
    way = np.linalg.norm(sources[:, None] - receivers[None], axis=-1)[..., None]
    return np.asarray(10 / way * np.exp(-1j * k * way))
