"""How far each seat is from the aims: which variant is better for whom.

Counted in noticeable steps (`theory.noticeable`), so that unlike things can be added: T20 outside
its tolerance, the mean over bands; the strongest early reflection above its criterion; and the
level of left against right, the mean over bands. None of them weighs more than another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.estimate import Estimate, jackknife_error, leave_one_out
from raysim.quantities.comparison import Comparison, strongest_at
from raysim.quantities.definitions import QUANTITIES, Histogram
from raysim.quantities.differences import mates_of
from raysim.quantities.evaluation import direct_energy, of_pairs, undefined_reasons
from raysim.quantities.reflections import EarlyReflection
from raysim.quantities.sides import Common, Side, common_of
from raysim.quantities.verdicts import BETTER, SAME, UNSURE, WORSE, Aim, aims
from raysim.scene import playing
from raysim.theory.criteria import REFLECTION_LEVEL_DB
from raysim.theory.noticeable import STEPS

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

PARTS = ("decay time", "early reflection", "left against right")
STEP = 1.0


@dataclass(frozen=True)
class SeatScore:
    """One variant at every seat.

    Attributes
    ----------
    name : str
        Of the variant, as its comparison has it.
    off : Estimate
        Steps off the aims, (receiver,).
    parts, parts_error : (receiver, part) float
        Of `PARTS`, what `off` is the sum of, and its standard error.
    change : Estimate
        Of `off` from the first variant, (receiver,), with the error of the change.
    words : tuple of str
        Verdict for each receiver; empty for the first variant itself.
    strongest : tuple of EarlyReflection or None
        At each receiver.
    """

    name: str
    off: Estimate
    parts: Array
    parts_error: Array
    change: Estimate
    words: tuple[str, ...]
    strongest: tuple[EarlyReflection | None, ...]


@dataclass(frozen=True)
class TradeOff:
    """All variants at all seats, the first variant first.

    Attributes
    ----------
    receivers : tuple of str
    bands_hz : tuple of float
        In which T20 counts: those where it is defined at every seat in every variant.
    """

    receivers: tuple[str, ...]
    bands_hz: tuple[float, ...]
    scores: tuple[SeatScore, ...]


@dataclass(frozen=True)
class _Measured:
    side: Side
    value: Array
    left_out: Array
    strongest: tuple[EarlyReflection | None, ...]


def trade_off(compared: Sequence[Comparison]) -> TradeOff | None:
    """Score all variants; None with one seat, or where variants have other seats or sources."""
    before = compared[0].before
    commons = [common_of(before, one.after) for one in compared]
    first = commons[0]
    alike = all((c.pairs, c.bands_hz) == (first.pairs, first.bands_hz) for c in commons)
    if len(first.receivers) < 2 or not alike:
        return None
    sides = [(before, first, 0)]
    sides += [(one.after, common, 1) for one, common in zip(compared, commons, strict=True)]
    counts = first.pick(of_pairs(playing.counting(before.scene), before.result), 0)
    known = np.logical_and.reduce([_is_known(*side) | ~counts for side in sides])
    bands = [int(b) for b in np.flatnonzero(known.all(axis=(0, 1)) & counts.any(axis=(0, 1)))]
    mates = [mates_of(before, first, r) for r in range(len(first.receivers))]
    measured = [_measure(*side, counts, bands, mates) for side in sides]
    scores = [_first(measured[0])]
    scores += [
        _score(one, measured[0], comparison)
        for one, comparison in zip(measured[1:], compared, strict=True)
    ]
    return TradeOff(first.receiver_names, tuple(first.bands_hz[b] for b in bands), tuple(scores))


def _is_known(side: Side, common: Common, which: int) -> Bools:
    """(source, receiver, band) where T20 is defined."""
    [reasons] = undefined_reasons(side.result, (QUANTITIES["T20"],), False)
    return np.asarray(common.pick(reasons[0], which) == "")


def _measure(
    side: Side,
    common: Common,
    which: int,
    counts: Bools,
    bands: Sequence[int],
    mates: Sequence[Sequence[tuple[int, int]]],
) -> _Measured:
    """Parts of the score, (receiver, part), with and without each batch."""
    direct = common.pick(direct_energy(side.result)[0], which)
    batches = np.stack([common.pick(one[0], which) for one in side.result.energy_batches])
    strongest = tuple(strongest_at(side, name) for name in common.receiver_names)
    off_db = np.array([_above(one) for one in strongest]) / STEPS["reflection"].size
    aim = aims("T20", side.scene.volume, common.bands_hz, len(common.bands_hz))
    own_aim = [aim[b] for b in bands]

    def evaluate(energy: Array) -> Array:
        histogram = Histogram(energy, side.result.bin_s, direct)
        times = QUANTITIES["T20"].evaluate(histogram)[..., bands]
        level = QUANTITIES["G"].evaluate(histogram)
        return np.stack(
            [
                _too_long_or_short(times.mean(axis=0, where=counts[..., bands]), own_aim),
                off_db,
                np.array([_apart(level[:, r], bands, own) for r, own in enumerate(mates)]),
            ],
            axis=-1,
        )

    value, left_out = leave_one_out(evaluate, batches)
    return _Measured(side, value, left_out, strongest)


def _too_long_or_short(times_s: Array, aim: Sequence[Aim | None]) -> Array:
    """(receiver,) steps outside the tolerance, mean over the bands that have one."""
    columns = [b for b, one in enumerate(aim) if one is not None]
    if not columns:
        return np.zeros(len(times_s))
    excess = np.array(
        [[one.excess(t) for one, t in zip(aim, row, strict=True) if one] for row in times_s]
    )
    return np.asarray((excess / STEPS["T20"].at(times_s[:, columns])).mean(axis=1))


def _apart(level_db: Array, bands: Sequence[int], mates: Sequence[tuple[int, int]]) -> float:
    """Steps between left and right, mean over bands and mates; 0 where none stand so."""
    if not mates or not bands:
        return 0.0
    apart = [np.abs(level_db[a, bands] - level_db[b, bands]).mean() for a, b in mates]
    return float(np.mean(apart)) / STEPS["match"].size


def _above(one: EarlyReflection | None) -> float:
    return 0.0 if one is None else max(0.0, one.level_db - REFLECTION_LEVEL_DB)


def _first(own: _Measured) -> SeatScore:
    off = _summed(own)
    nothing = Estimate(np.zeros_like(off.value), np.zeros_like(off.value), off.batches, off.reason)
    parts_error = jackknife_error(own.left_out)
    return SeatScore(own.side.name, off, own.value, parts_error, nothing, (), own.strongest)


def _score(own: _Measured, first: _Measured, comparison: Comparison) -> SeatScore:
    off, before = _summed(own), _summed(first)
    if comparison.is_paired:
        error = jackknife_error((own.left_out - first.left_out).sum(axis=-1))
    else:
        error = np.hypot(off.standard_error, before.standard_error)
    change = Estimate(off.value - before.value, error, off.batches, off.reason)
    low, high = change.interval(comparison.level)
    words = tuple(word_of(*ends) for ends in zip(low, high, strict=True))
    parts_error = jackknife_error(own.left_out)
    return SeatScore(own.side.name, off, own.value, parts_error, change, words, own.strongest)


def _summed(own: _Measured) -> Estimate:
    value = own.value.sum(axis=-1)
    error = jackknife_error(own.left_out.sum(axis=-1))
    return Estimate(value, error, len(own.left_out), np.full(value.shape, "", dtype=np.str_))


def word_of(low: float, high: float) -> str:
    """Verdict from the interval of a change in steps."""
    if high <= -STEP:
        return BETTER
    if low >= STEP:
        return WORSE
    return SAME if -STEP < low and high < STEP else UNSURE
