"""A difference against what a listener notices, in words.

Many verdicts are given at once, so they are held to a false discovery rate: of all verdicts that
claim something, at most 5 % are expected to be wrong (Benjamini and Hochberg 1995).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from raysim.quantities.differences import NO_REFLECTION, Difference
from raysim.quantities.ranges import Spread
from raysim.theory import criteria
from raysim.theory.noticeable import STEPS

BETTER, WORSE, DIFFERS = "better", "worse", "differs"
SAME = "no difference you could notice"
UNSURE = "can't tell"
UNDEFINED = "not evaluated"
FALSE_DISCOVERY_RATE = 0.05
LEVEL = 1 - FALSE_DISCOVERY_RATE
MOST_TIMES = 50

Array = NDArray[np.float64]
Excess = Callable[[float], float]


@dataclass(frozen=True)
class Verdict:
    """What to make of one difference.

    Attributes
    ----------
    word : str
        BETTER, WORSE, DIFFERS, SAME, UNSURE or UNDEFINED.
    reason : str
        For the last two: what would decide it, or why there is nothing to judge.
    times_rays : float or None
        How many times the rays would decide it, where more rays would.
    """

    word: str
    reason: str = ""
    times_rays: float | None = None


@dataclass(frozen=True)
class Aim:
    """What is better, as a distance from it that should be small, and who says so."""

    excess: Excess
    source: str


def aims(key: str, volume: float, bands_hz: tuple[float, ...], columns: int) -> list[Aim | None]:
    """Aim of a quantity in each of its columns; None where no direction is defined.

    Decay time T20: into the tolerance of ITU-R BS.1116-3 about the nominal time of the volume.
    Strongest early reflection: to 10 dB below the direct sound or less. T ratio: 1, even over
    bands. Match: 0.
    """
    if key == "T20":
        nominal = criteria.nominal_decay_time(volume)
        lower, upper = criteria.decay_tolerance_s(bands_hz)
        return [
            Aim(_outside(nominal + low, nominal + high), criteria.DECAY_SOURCE)
            if math.isfinite(low) or math.isfinite(high)
            else None
            for low, high in zip(lower.tolist(), upper.tolist(), strict=True)
        ]
    single = {
        "reflection": Aim(
            _outside(-math.inf, criteria.REFLECTION_LEVEL_DB), criteria.REFLECTION_SOURCE
        ),
        "T ratio": Aim(lambda ratio: abs(ratio - 1.0), "even over bands: our own aim"),
        "match": Aim(lambda level_db: level_db, "left and right alike: common practice"),
    }
    return [single.get(key)] * columns


def p_values(one: Difference, spread: Spread | None) -> Array:
    """Chance of each change to lie as far from the noticeable step if it were just that step.

    Two-sided, Student's t, (place, column). What the materials' ranges leave open is taken off
    the distance as squares. NaN where there is nothing to judge, or nothing by chance.
    """
    change, error = one.change.value, one.change.standard_error
    away = np.abs(change) - STEPS[one.key].at(one.before.value)
    room = np.zeros_like(change)
    if spread is not None:
        room = np.where((away > 0) == (change > 0), spread.down, spread.up)
    reach = np.sqrt(np.maximum(away**2 - room**2, 0.0))
    is_open = (one.change.reason == "") & (error > 0)
    distance = np.divide(reach, error, out=np.full_like(change, np.nan), where=is_open)
    return np.asarray(2 * stdtr(one.change.batches - 1, -distance))


def level_of(chances: Sequence[Array]) -> tuple[float, int]:
    """Level of the intervals that holds many verdicts to the false discovery rate, their number.

    Benjamini and Hochberg (1995): of m chances the k that they find are those below
    FALSE_DISCOVERY_RATE k / m; where they find none a verdict needs FALSE_DISCOVERY_RATE / m.
    """
    every = np.concatenate([of.ravel() for of in chances]) if chances else np.zeros(0)
    every = every[np.isfinite(every)]
    if not every.size:
        return LEVEL, 0
    ranks = np.arange(1, every.size + 1)
    found = ranks[np.sort(every) <= FALSE_DISCOVERY_RATE * ranks / every.size]
    return 1 - FALSE_DISCOVERY_RATE * max([1, *found]) / every.size, int(every.size)


def judge(
    one: Difference, aim: list[Aim | None], spread: Spread | None, level: float = LEVEL
) -> list[list[Verdict]]:
    """Verdict of every place and column of a difference.

    A change is noticeable if its interval of `level` lies beyond the noticeable step, and not if
    it lies within; the interval is widened by what the materials' ranges leave open, as squares.
    """
    verdicts = []
    for p in range(len(one.places)):
        row = []
        for c in range(len(one.columns)):
            room = (0.0, 0.0, "")
            if spread is not None:
                room = (float(spread.down[c]), float(spread.up[c]), spread.material[c])
            row.append(_verdict(one, (p, c), aim[c], room, level))
        verdicts.append(row)
    return verdicts


def _verdict(
    one: Difference,
    at: tuple[int, int],
    aim: Aim | None,
    room: tuple[float, float, str],
    level: float,
) -> Verdict:
    before, after = float(one.before.value[at]), float(one.after.value[at])
    if one.change.reason[at]:
        return _appeared(one, at, before, after, aim)
    change, error = float(one.change.value[at]), float(one.change.standard_error[at])
    step = float(STEPS[one.key].at(np.array(before)))
    half = float(stdtrit(one.change.batches - 1, 0.5 + level / 2)) * error
    down, up, material = room
    low, high = change - math.hypot(half, down), change + math.hypot(half, up)
    if -step < low and high < step:
        return Verdict(SAME)
    if low >= step or high <= -step:
        return Verdict(_direction(before, after, half, aim))
    return _unsure(change, half, step, (down, up), material)


def _unsure(
    change: float, half: float, step: float, spread: tuple[float, float], material: str
) -> Verdict:
    """What would decide: more rays, or knowing a material better."""
    gap = abs(abs(change) - step)
    toward = -1 if change > 0 else 1  # the side on which the interval meets the step
    if abs(change) < step:
        toward = -toward
    unknown = spread[0] if toward < 0 else spread[1]
    if unknown >= min(gap, half) and material and unknown > 0:
        return Verdict(UNSURE, f"learn the absorption of '{material}' first")
    times = half**2 / (gap**2 - unknown**2) if gap > unknown else math.inf
    if times > MOST_TIMES:
        return Verdict(UNSURE, "the change is about as large as the noticeable step itself")
    times = max(2.0, _round_up(times))
    return Verdict(UNSURE, f"run longer: about {times:g} times the rays", times)


def _round_up(number: float) -> float:
    """To one significant digit."""
    unit = 10.0 ** math.floor(math.log10(number))
    return math.ceil(number / unit - 1e-9) * unit


def _direction(before: float, after: float, half: float, aim: Aim | None) -> str:
    if aim is None:
        return DIFFERS
    gained = aim.excess(before) - aim.excess(after)
    if abs(gained) <= half:
        return DIFFERS
    return BETTER if gained > 0 else WORSE


def _appeared(
    one: Difference, at: tuple[int, int], before: float, after: float, aim: Aim | None
) -> Verdict:
    """Where a reflection is there on one side only, its absence counts as no level at all."""
    levels = [
        -math.inf if str(side.reason[at]) == NO_REFLECTION else value
        for side, value in ((one.before, before), (one.after, after))
    ]
    if one.key != "reflection" or any(math.isnan(level) for level in levels) or aim is None:
        return Verdict(UNDEFINED, str(one.change.reason[at]))
    if levels[0] == levels[1]:
        return Verdict(SAME)
    gained = aim.excess(levels[0]) - aim.excess(levels[1])
    return Verdict(BETTER if gained > 0 else WORSE if gained < 0 else DIFFERS)


def _outside(low: float, high: float) -> Excess:
    return lambda value: max(0.0, low - value, value - high)
