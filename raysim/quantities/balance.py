"""What becomes of the lows against the highs: duller, boomier, or both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.digits import tidy

Array = NDArray[np.float64]

STEP_SHARE = 0.05
"""Of a decay time: a noticeable step, by `theory.noticeable`."""
SURE = 2.0
LOW_TO_HZ, MIDDLE_FROM_HZ, MIDDLE_TO_HZ, HIGH_FROM_HZ = 250.0, 500.0, 1000.0, 2000.0


def balance_sentence(
    times_s: Array,
    bands_hz: Sequence[float],
    errors_s: Array | None = None,
    cure: str = "run with --bass",
) -> list[str]:
    """One sentence on decay times (2, bands) before and after; none without middles and highs.

    NaN is a time that isn't known: where all of the lows are, nothing is said of boominess but
    what would tell. Rays say nothing of octaves below the Schroeder frequency; waves do.

    Parameters
    ----------
    errors_s : (bands,) float, optional
        Standard error of each change. Octaves of a group are taken to err together, which is the
        most they can; a verdict holds at two standard errors.
    cure : str
        What to say of lows that aren't known.
    """
    bands, known = np.asarray(bands_hz), np.isfinite(times_s).all(axis=0)
    errors_s = np.full(len(bands), np.nan) if errors_s is None else errors_s
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
    highs, highs_error = _percent(times_s, errors_s, high)
    if not len(low):
        return [
            f"Highs change by {_printed(highs, highs_error)}. Whether it gets boomy can't be told: "
            f"the low octaves lie below the Schroeder frequency, where rays say nothing; {cure}"
        ]
    lows, lows_error = _percent(times_s, errors_s, low)
    slower = times_s[1, low].mean() > (1 + STEP_SHARE) * times_s[1, middle].mean()
    verdict = _verdict(
        lows - highs, SURE * np.nan_to_num(np.hypot(lows_error, highs_error)), slower
    )
    return [
        f"Lows change by {_printed(lows, lows_error)}, highs by {_printed(highs, highs_error)}: "
        f"{verdict}"
    ]


def _percent(times_s: Array, errors_s: Array, own: NDArray[np.int64]) -> tuple[float, float]:
    before, after = times_s[:, own].mean(axis=1)
    return float(100 * (after / before - 1)), float(100 * errors_s[own].mean() / before)


def _printed(percent: float, error: float) -> str:
    """Whole percents; an error below one counts as one."""
    plus_minus = "" if np.isnan(error) else f" ±{max(1.0, error):.0f}"
    return f"{tidy(percent, 0)}{plus_minus} %"


def _verdict(apart: float, unsure: float, lows_are_slower: bool) -> str:
    step = 100 * STEP_SHARE
    if apart - unsure > step and lows_are_slower:
        return "duller and boomier than before; only deeper absorbers or more air behind cure that"
    if apart - unsure > step:
        return "duller than before, though the lows still decay no slower than the middle"
    if apart + unsure < -step:
        return "the balance moves towards the highs"
    if abs(apart) + unsure <= step:
        return "the balance stays"
    return f"whether the balance moves is too near {step:g} % to tell"
