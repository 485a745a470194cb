"""Decay and energy quantities of energy-time histograms (ISO 3382-1:2009, ISO 3382-2:2008).

Conventions of every function here: `energy` is (..., time), bin k covers [k, k + 1) * bin_s,
and time 0 is the arrival of the direct sound, which lies in bin 0 at exactly time 0. Everything
is elementwise over the leading axes, gives NaN where undefined, and never raises on values.

A histogram ends; the sound does not. What arrives after its end is estimated as an exponential
from its last two quarters and added, as ISO 3382-1, 5.3.3 does where a measurement stops in the
noise. The estimate is exact for an exponential. A quantity in which it would weigh too much is
undefined instead (`HEADROOM_DB`, `LARGEST_TAIL_SHARE`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

EVALUATION_RANGES_DB = {"EDT": (0.0, -10.0), "T20": (-5.0, -25.0), "T30": (-5.0, -35.0)}
HEADROOM_DB = 10.0
"""How far below the lower limit of a line the histogram must reach.

At 10 dB the estimated tail is a tenth of the curve at the lower limit and less above it: were it
wrong by a fifth, EDT would change by 0.7 %, T20 by 0.3 % and T30 by 0.2 %."""
LARGEST_TAIL_SHARE = 0.1
"""Largest share that the estimated tail may have in an energy or a moment."""
FEWEST_POINTS = 4
"""A straight line through fewer points says nothing of a decay."""
TINY = 1e-300

DEFINED, SILENT, RISING, SHORT, COARSE = range(5)
REASONS = (
    "",
    "no sound arrives here",
    "the sound does not decay within the histogram; make it longer (duration_s)",
    "the histogram ends before the decay reaches {depth:.0f} dB; make it longer (duration_s)",
    "the decay passes {upper:.0f} to {lower:.0f} dB within fewer than {points} bins, as where"
    " the direct sound dominates; no line can be drawn",
)


class Tail(NamedTuple):
    """What arrives after the end of a histogram.

    Attributes
    ----------
    energy : (...) float
        NaN where the last quarter holds no less than the one before.
    mean_time_s : (...) float
        Its centre of gravity.
    """

    energy: Array
    mean_time_s: Array


class Curve(NamedTuple):
    """Level of a decay curve and what bounds its use.

    Attributes
    ----------
    level_db : (..., time) float
        Re its start, at the left edge of each bin.
    total, tail : (...) float
        Energy within the histogram and after it (NaN where unknown).
    """

    level_db: Array
    total: Array
    tail: Array


class Line(NamedTuple):
    """Decay time (...) in s, NaN where undefined, and a code (...) into `REASONS`."""

    time_s: Array
    code: NDArray[np.int64]


def missing_tail(energy: ArrayLike, bin_s: float = 1.0) -> Tail:
    """Energy after the end of the histogram, by continuing its last two quarters.

    With q the ratio of the last quarter's energy to that of the one before, an exponential goes
    on with last * (q + q^2 + ...) = last * q / (1 - q).

    Parameters
    ----------
    energy : (..., time) float
    bin_s : float

    Returns
    -------
    Tail
    """
    energy = np.asarray(energy, dtype=np.float64)
    bins = energy.shape[-1]
    quarter = max(bins // 4, 1)
    last = np.maximum(energy[..., bins - quarter :].sum(axis=-1), 0.0)
    before = np.maximum(energy[..., max(bins - 2 * quarter, 0) : bins - quarter].sum(axis=-1), 0.0)
    decays = (last < before) | (last == 0)
    ratio = np.where(decays, last / np.maximum(before, TINY), np.nan)
    time_constant_s = quarter * bin_s / -np.log(np.where(ratio > 0, ratio, TINY))
    return Tail(last * ratio / (1 - ratio), bins * bin_s + time_constant_s)


def decay_curve(energy: ArrayLike, axis: int = -1) -> Array:
    """Backward-integrated energy at the left edge of each bin (Schroeder 1965; ISO 3382-1, 5.3.3).

    The missing tail is added where it can be estimated; where the sound doesn't decay it can't,
    and the curve there is the plain backward sum (`decay_time` is NaN there).

    Parameters
    ----------
    energy : (..., time, ...) float
    axis : int
        The time axis.

    Returns
    -------
    (..., time, ...) float
    """
    energy = np.moveaxis(np.asarray(energy, dtype=np.float64), axis, -1)
    tail = np.nan_to_num(missing_tail(energy).energy, nan=0.0)
    curve = np.cumsum(energy[..., ::-1], axis=-1)[..., ::-1] + tail[..., None]
    return np.moveaxis(curve, -1, axis)


def decay_level_db(energy: ArrayLike, axis: int = -1) -> Array:
    """Level of the decay curve re its start, dB, at the left edge of each bin; -3000 for none."""
    curve = np.maximum(decay_curve(energy, axis), TINY)
    start = np.take(curve, [0], axis=axis)
    return np.asarray(10.0 * np.log10(curve) - 10.0 * np.log10(start))


def level_curve(energy: ArrayLike) -> Curve:
    """What lines are drawn through: see `Curve`."""
    energy = np.asarray(energy, dtype=np.float64)
    return Curve(decay_level_db(energy), energy.sum(axis=-1), missing_tail(energy).energy)


def line_through(curve: Curve, bin_s: float, upper_db: float, lower_db: float) -> Line:
    """Decay time, and where it is undefined, why.

    Least-squares line through the level of the decay curve at the bin edges that lie within the
    range, extrapolated to 60 dB (ISO 3382-1:2009, 5.3.3 and A.2.2). The edge at time 0 takes no
    part: the curve jumps there by the direct sound, and a point on top of the jump would weigh
    by the width of a bin. Without it the line is that of an infinitely finely sampled response.

    Parameters
    ----------
    curve : Curve
    bin_s : float
    upper_db, lower_db : float
        Range of evaluation, for example -5 and -25.

    Returns
    -------
    Line
    """
    level = curve.level_db
    within = (level <= upper_db) & (level >= lower_db)
    within[..., 0] = False
    points = within.sum(axis=-1)
    # The curve falls, so the edges within the range follow each other: their mean and spread
    # are those of `points` whole numbers.
    first = np.argmax(within, axis=-1)
    middle = first + (points - 1) / 2.0
    spread = np.maximum(points * (points**2 - 1.0) / 12.0, 1.0)
    edges = np.arange(level.shape[-1], dtype=np.float64)
    sums = np.where(within, level, 0.0) @ np.stack([np.ones_like(edges), edges], axis=1)
    slope = (sums[..., 1] - middle * sums[..., 0]) / spread

    deepest = np.maximum(curve.total, TINY) * 10 ** ((lower_db - HEADROOM_DB) / 10)
    code = np.select(
        [
            curve.total <= 0,
            np.isnan(curve.tail),
            curve.tail > deepest,
            (points < FEWEST_POINTS) | (slope >= 0),
        ],
        [SILENT, RISING, SHORT, COARSE],
        DEFINED,
    )
    time_s = np.where(code == DEFINED, -60.0 * bin_s / np.where(slope < 0, slope, -1.0), np.nan)
    return Line(time_s, code)


def fit_line(energy: ArrayLike, bin_s: float, upper_db: float, lower_db: float) -> Line:
    """`line_through` the decay curve of `energy` (..., time)."""
    return line_through(level_curve(energy), bin_s, upper_db, lower_db)


def decay_time(energy: ArrayLike, bin_s: float, upper_db: float, lower_db: float) -> Array:
    """Decay time in s, (...), NaN where undefined: `fit_line` without the reason."""
    return fit_line(energy, bin_s, upper_db, lower_db).time_s


def line_reason(code: int, upper_db: float, lower_db: float) -> str:
    """In words why a line is undefined; empty for `DEFINED`."""
    return REASONS[code].format(
        upper=upper_db, lower=lower_db, depth=lower_db - HEADROOM_DB, points=FEWEST_POINTS
    )


def split_energy(energy: ArrayLike, bin_s: float, early_s: float) -> tuple[Array, Array]:
    """Energy (...) before and after `early_s`, the missing tail in the latter.

    A bin that the limit cuts is shared in proportion. The late part is NaN where the tail can't
    be estimated or makes more than `LARGEST_TAIL_SHARE` of it.
    """
    energy = np.asarray(energy, dtype=np.float64)
    covered = np.clip(early_s / bin_s - np.arange(energy.shape[-1]), 0.0, 1.0)
    # 0.05 / 0.001 is 50 only to rounding; without this a bin would leak 1e-14 of itself.
    covered = np.where(np.abs(covered - np.round(covered)) < 1e-9, np.round(covered), covered)
    early = energy @ covered
    tail = missing_tail(energy).energy
    late = energy @ (1.0 - covered) + tail
    return early, np.where(tail <= LARGEST_TAIL_SHARE * late, late, np.nan)


def clarity(energy: ArrayLike, bin_s: float, early_s: float) -> Array:
    """Early-to-late index in dB, (...): 10 lg of the energy before over that after `early_s`.

    ISO 3382-1:2009, A.2.3. NaN where either part is empty.
    """
    early, late = split_energy(energy, bin_s, early_s)
    defined = (early > 0) & (late > 0)
    ratio = np.where(defined, early, 1.0) / np.where(defined, late, 1.0)
    return np.where(defined, 10.0 * np.log10(ratio), np.nan)


def definition(energy: ArrayLike, bin_s: float, early_s: float = 0.050) -> Array:
    """Share of the energy that arrives before `early_s`, (...) (ISO 3382-1:2009, A.2.3)."""
    early, _ = split_energy(energy, bin_s, early_s)
    total = total_energy(energy)
    return np.where(total > 0, early / np.where(total > 0, total, 1.0), np.nan)


def total_energy(energy: ArrayLike) -> Array:
    """Energy with the missing tail, (...); NaN where the tail is unknown or too large a share."""
    energy = np.asarray(energy, dtype=np.float64)
    tail = missing_tail(energy).energy
    total = energy.sum(axis=-1) + tail
    return np.where(tail <= LARGEST_TAIL_SHARE * total, total, np.nan)


def centre_time(energy: ArrayLike, bin_s: float, direct: ArrayLike = 0.0) -> Array:
    """Centre time in s, (...): first moment of the energy over the energy (ISO 3382-1, A.2.4).

    Energy counts at the centre of its bin, but for the direct sound, which counts at time 0.
    What is left is below bin_s^2 / (12 * time constant): 4 us at 1 ms bins and T = 0.3 s.

    Parameters
    ----------
    energy : (..., time) float
    bin_s : float
    direct : (...) float
        Energy of the direct sound, which is part of bin 0.
    """
    energy = np.asarray(energy, dtype=np.float64)
    centres_s = (np.arange(energy.shape[-1]) + 0.5) * bin_s
    tail = missing_tail(energy, bin_s)
    moment_of_tail = tail.energy * np.where(tail.energy > 0, tail.mean_time_s, 0.0)
    moment = energy @ centres_s - np.asarray(direct) * bin_s / 2 + moment_of_tail
    total = energy.sum(axis=-1) + tail.energy
    defined = (total > 0) & (moment_of_tail <= LARGEST_TAIL_SHARE * moment)
    return np.where(defined, moment / np.where(defined, total, 1.0), np.nan)


def strength_db(energy: ArrayLike) -> Array:
    """Sound strength G in dB, (...) (ISO 3382-1:2009, A.2.1).

    `energy` is relative to the free field of the same source at 10 m.
    """
    total = total_energy(energy)
    return np.where(total > 0, 10.0 * np.log10(np.where(total > 0, total, 1.0)), np.nan)
