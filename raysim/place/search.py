"""The search: every layout on a grid, the best again in plausible rooms, then finer steps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from raysim.errors import SceneError
from raysim.place.fitting import all_fitting, fits, fitting_of, in_air, why_none
from raysim.place.layouts import Layout, around, common_practice
from raysim.place.rooms import Ground
from raysim.place.scores import Asked, Scored, Scores
from raysim.place.waves import Modes

Told = Callable[[str, float], None]

ROOMS, FINAL_ROOMS = 24, 72
"""Plausible rooms for the best of the grid, and for the last few."""
FINALISTS, SHORTLIST = 12, 6
LEADERS, REFINED = 3, 4
FINER_M, FINER_STEPS = 0.025, 3
TELLING = 2.0
WORTH_MOVING_DB = 0.5
"""Of the aim; a judgement: less is nothing that anybody would notice."""
DIFFERENT_M = 0.25
"""A runner-up differs from the best by as much in seat or loudspeakers, or has another front."""


@dataclass(frozen=True)
class Gain:
    """How much better one layout is than another, dB of the aim.

    Attributes
    ----------
    gain_db : float
        Mean over plausible rooms, paired.
    error_db : float
        Standard deviation over them: what one real room may differ by.
    share : float
        Of plausible rooms in which it is better.
    """

    gain_db: float
    error_db: float
    share: float


@dataclass(frozen=True)
class Found:
    """What a search found.

    Attributes
    ----------
    best, current : Scored
    runner_up, other_front, common : Scored or None
    common_blocked : bool
        Whether the common-practice layout can't stand in this room.
    tried : tuple of Scored
        All possible layouts of the grid.
    robust : tuple of Scored
        Those before the best front that are within 0.5 dB of the best, or within the error.
    gain : Gain
        Of the best over the current.
    modes : Modes
        Of the room without the desk.
    """

    best: Scored
    current: Scored
    runner_up: Scored | None
    other_front: Scored | None
    common: Scored | None
    common_blocked: bool
    tried: tuple[Scored, ...]
    robust: tuple[Scored, ...]
    gain: Gain
    modes: Modes


def gain_of(better: Scored, worse: Scored) -> Gain:
    """Paired over the same plausible rooms."""
    apart = worse.aims_db - better.aims_db
    return Gain(float(apart.mean()), float(apart.std(ddof=1)), float((apart > 0).mean()))


def search(
    asked: Asked, told: Told = lambda _stage, _fraction: None, modes: Modes | None = None
) -> Found:
    """Find the best layout, its runner-up and how sure that is.

    `modes` are those of the scene where they are known already.

    Raises
    ------
    SceneError
        No layout fits the limits.
    """
    ground = Ground(asked.scene)
    told("finding what fits", 0.0)
    fitting = all_fitting(asked, ground)
    if not fitting:
        raise SceneError(why_none(asked, ground))
    told("finding modes", 0.05)
    scores = Scores(asked, modes)
    tried = scores.all(fitting, lambda part: told(f"{len(fitting)} layouts", 0.3 + 0.3 * part))
    by_rule = common_practice(asked.fronts[0], float(asked.current.seat[2]))
    common = scores.all([one for one in by_rule if in_air(one, asked)])
    usual = [one for one in common if fits(one.layout, asked, ground)]
    current = scores.all([asked.current])[0]
    told("plausible rooms", 0.6)
    first = scores.robustly([*_spread(tried, FINALISTS), *usual], ROOMS)
    told("finer steps", 0.7)
    near = _finer(first, scores, ground)
    told("more plausible rooms", 0.8)
    final = scores.robustly([*near, *_spread(first, SHORTLIST), *common, current], FINAL_ROOMS)
    said = {one.layout: one for one in final}
    current, common = said[asked.current], [said[one.layout] for one in common]
    possible = [one for one in final if fits(one.layout, asked, ground)]
    tried += usual
    return _found(possible, current, common, tried, scores.modes)


def _finer(first: Sequence[Scored], scores: Scores, ground: Ground) -> list[Scored]:
    """The best, as stated, of the near neighbours of each of the best in plausible rooms."""
    asked = scores.asked
    kept = []
    for leader in sorted(first, key=lambda one: one.mean_db)[:LEADERS]:
        near = list(around(leader.layout, asked.limits, FINER_M, FINER_STEPS))
        scored = scores.all(fitting_of(near, asked, ground))
        kept += sorted(scored, key=lambda one: one.aim_db)[:REFINED]
    return kept


def _spread(tried: Sequence[Scored], count: int) -> list[Scored]:
    """The best few, the best that differ from each other, and the best before each front."""
    ordered = sorted(tried, key=_score)
    kept = ordered[: count // 3]
    for one in ordered:
        if len(kept) == count:
            break
        if all(_apart(one.layout, other.layout) >= DIFFERENT_M for other in kept):
            kept.append(one)
    for name in dict.fromkeys(one.layout.front.name for one in tried):
        kept.append(next(one for one in ordered if one.layout.front.name == name))
    return list({one.layout: one for one in kept}.values())


def _score(one: Scored) -> float:
    return one.mean_db if len(one.aims_db) else one.aim_db


def settled(best: Scored, familiar: Sequence[Scored]) -> Scored:
    """The best, or the first of familiar layouts that can't be told from it.

    By twice the standard error of the paired mean over plausible rooms.
    """
    for one in familiar:
        gain = gain_of(best, one)
        if gain.gain_db <= TELLING * gain.error_db / np.sqrt(len(best.aims_db)):
            return one
    return best


def _found(
    possible: Sequence[Scored],
    current: Scored,
    common: Sequence[Scored],
    tried: Sequence[Scored],
    modes: Modes,
) -> Found:
    others = sorted(possible, key=_score)
    usual = sorted(common, key=_score)
    best = settled(others[0], [one for one in (current, *usual) if one in possible])
    here = best.layout.front.name
    runner_up = next((o for o in others if _apart(o.layout, best.layout) >= DIFFERENT_M), None)
    other_front = next((o for o in others if o.layout.front.name != here), None)
    shown = usual[0] if usual else None
    beside = next((o for o in others if o is not best), current)
    limit = best.aim_db + max(gain_of(best, beside).error_db, WORTH_MOVING_DB)
    robust = [o for o in tried if o.layout.front.name == here and o.aim_db <= limit]
    return Found(
        best,
        current,
        runner_up,
        other_front,
        shown,
        shown is not None and shown not in possible,
        tuple(tried),
        tuple(robust),
        gain_of(best, current),
        modes,
    )


def _apart(one: Layout, other: Layout) -> float:
    return max(
        float(np.linalg.norm(one.seat - other.seat)),
        float(np.linalg.norm(one.left - other.left)),
    )
