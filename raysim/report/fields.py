"""The curves of a result as they are drawn: levels with standard errors, nothing new computed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.estimate import jackknife
from raysim.report import style
from raysim.report.curves import Curve
from raysim.results.data import Result
from raysim.scene.playing import plays
from raysim.theory.decay import decay_level_db

Array = NDArray[np.float64]

DB_PER_NEPER = 10.0 * np.log10(np.e)


def decay_curves(result: Result, variant: int, receiver: int) -> list[list[Curve]]:
    """Backward-integrated decay levels with errors by the jackknife: one list of sources a band.

    Of a source that is silent in the band they are a gap.
    """
    batches = result.energy_batches[:, variant, :, receiver]
    level, error = jackknife(decay_level_db, batches)
    return _by_band(result, level, error)


def energy_curves(result: Result, variant: int, receiver: int) -> list[list[Curve]]:
    """Level of each time bin re the direct sound, dB: one list of sources a band.

    The direct sound is the unobstructed one (100/r^2), also where it is blocked. Bins that no
    sound reached are gaps.
    """
    batches = result.energy_batches[:, variant, :, receiver]
    seat = result.scene.receivers[receiver].position
    direct = np.array([100.0 / np.sum((s.position - seat) ** 2) for s in result.scene.sources])
    mean = batches.mean(axis=0)
    spread = batches.std(axis=0, ddof=1) / np.sqrt(len(batches))
    heard = np.where(mean > 0, mean, np.nan)
    level = 10.0 * np.log10(heard / direct[:, None, None])
    return _by_band(result, level, DB_PER_NEPER * spread / heard)


def _by_band(result: Result, level: Array, error: Array) -> list[list[Curve]]:
    level = np.where(plays(result.scene)[..., None], level, np.nan)
    return [
        [
            Curve(style.short(source.name), level[s, b], error[s, b])
            for s, source in enumerate(result.scene.sources)
        ]
        for b in range(len(result.scene.bands_hz))
    ]
