"""What becomes of the lows against the highs: duller, boomier, or both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_SHARE = 0.05
"""Of a decay time: a noticeable step, by `theory.noticeable`."""
LOW_TO_HZ, MIDDLE_FROM_HZ, MIDDLE_TO_HZ, HIGH_FROM_HZ = 250.0, 500.0, 1000.0, 2000.0


def balance_sentence(times_s: Array, bands_hz: Sequence[float]) -> list[str]:
    """One sentence on decay times (2, bands) before and after; none without middles and highs.

    NaN is a time that isn't known: where all of the lows are, nothing is said of boominess but
    what would tell. Rays say nothing of octaves below the Schroeder frequency; waves do.
    """
    bands, known = np.asarray(bands_hz), np.isfinite(times_s).all(axis=0)
    low, middle, high = (
        np.flatnonzero(known & (bands >= first) & (bands <= last))
        for first, last in (
            (0.0, LOW_TO_HZ),
            (MIDDLE_FROM_HZ, MIDDLE_TO_HZ),
            (HIGH_FROM_HZ, np.inf),
        )
    )
    if not (len(middle) and len(high)):
        return []
    highs = _percent(times_s, high)
    if not len(low):
        return [
            f"Highs change by {highs:.0f} %. Whether it gets boomy can't be told: the low octaves "
            "lie below the Schroeder frequency, where rays say nothing; run with --bass"
        ]
    lows = _percent(times_s, low)
    slower = times_s[1, low].mean() > (1 + STEP_SHARE) * times_s[1, middle].mean()
    return [
        f"Lows change by {lows:.0f} %, highs by {highs:.0f} %: {_verdict(lows - highs, slower)}"
    ]


def _percent(times_s: Array, own: NDArray[np.int64]) -> float:
    before, after = times_s[:, own].mean(axis=1)
    return float(100 * (after / before - 1))


def _verdict(apart: float, lows_are_slower: bool) -> str:
    if apart > 100 * STEP_SHARE and lows_are_slower:
        return "duller and boomier than before; only deeper absorbers or more air behind cure that"
    if apart > 100 * STEP_SHARE:
        return "duller than before, though the lows still decay no slower than the middle"
    if apart < -100 * STEP_SHARE:
        return "the balance moves towards the highs"
    return "the balance stays"
