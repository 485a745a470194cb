"""The search: every layout on a grid, the best again in plausible rooms, then finer steps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SceneError
from raysim.place.layouts import Layout, around, candidates, common_practice
from raysim.place.rooms import CHAIR_M, SILL_M, Ground
from raysim.place.scores import Asked, Scored, Scores
from raysim.place.waves import Modes, zone_points
from raysim.scene.inside import AIR, locate

Array = NDArray[np.float64]
Told = Callable[[str, float], None]

FINALISTS = 12
FINER_M = (0.05, 0.025)
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
    ear, raised = float(asked.current.seat[2]), _raised(asked.current)
    told("finding what fits", 0.0)
    fitting = [
        one
        for one in candidates(asked.fronts, asked.limits, ear, raised)
        if fits(one, asked, ground)
    ]
    if not fitting:
        raise SceneError(_why_none(asked))
    told("finding modes", 0.05)
    scores = Scores(asked, modes)
    common = [
        scores.one(one) for one in common_practice(asked.fronts[0], ear) if _in_air(one, asked)
    ]
    tried = scores.all(fitting, lambda part: told(f"{len(fitting)} layouts", 0.2 + 0.5 * part))
    tried += [one for one in common if fits(one.layout, asked, ground)]
    current = scores.robustly(scores.one(asked.current))
    told("plausible rooms", 0.7)
    finalists = [scores.robustly(one) for one in _spread(tried, FINALISTS)]
    finalists += [scores.robustly(one) for one in common if one in tried]
    if fits(asked.current, asked, ground):
        finalists.append(current)
    best = min(finalists, key=lambda one: one.mean_db)
    for step in FINER_M:
        near = [one for one in around(best.layout, asked.limits, step) if fits(one, asked, ground)]
        scored = sorted(scores.all(near, lambda _: None), key=lambda one: one.aim_db)[:6]
        best = min([best, *map(scores.robustly, scored)], key=lambda one: one.mean_db)
        told("finer steps", 0.9)
    return _found(best, current, finalists, common, tried, scores, ground)


def fits(one: Layout, asked: Asked, ground: Ground) -> bool:
    """Whether head, chair, loudspeakers, stands and desk have room."""
    limits = asked.limits
    floor = asked.scene.floor_m
    heads = [one.seat] + [_at_height(one.seat, floor + h) for h in CHAIR_M]
    stands = [
        place
        for each in (one.left, one.right)
        for place in (each, _at_height(each, floor + SILL_M))
    ]
    if not ground.is_clear(np.array(heads), limits.head_clear_m):
        return False
    if not ground.is_clear(np.array(stands), limits.loudspeaker_clear_m):
        return False
    if asked.desk is None:
        return True
    corners = one.desk_corners(asked.desk)
    middle = (asked.desk.low_m + asked.desk.high_m) / 2
    places = np.column_stack([np.vstack([corners, corners.mean(axis=0)]), np.full(5, middle)])
    return ground.is_clear(places, 0.03)


def _in_air(one: Layout, asked: Asked) -> bool:
    """Whether both loudspeakers and the whole head zone lie in the air at all."""
    points = np.vstack([one.left, one.right, zone_points(one.seat, asked.zone)])
    return all(where == AIR for where in locate(asked.scene, points))


def _at_height(point: Array, z: float) -> Array:
    return np.array([point[0], point[1], z])


def _raised(current: Layout) -> list[float]:
    """Loudspeakers at ear height, and as much above or below as they stand now."""
    now = round(float((current.left[2] + current.right[2]) / 2 - current.seat[2]), 3)
    return [0.0] if abs(now) < 0.02 else [0.0, now]


def _spread(tried: Sequence[Scored], count: int) -> list[Scored]:
    """The best few, the best that differ from each other, and the best before each front."""
    ordered = sorted(tried, key=lambda one: one.aim_db)
    kept = ordered[: count // 3]
    for one in ordered:
        if len(kept) == count:
            break
        if all(_apart(one.layout, other.layout) >= DIFFERENT_M for other in kept):
            kept.append(one)
    for name in dict.fromkeys(one.layout.front.name for one in tried):
        kept.append(next(one for one in ordered if one.layout.front.name == name))
    return list({id(one): one for one in kept}.values())


def _found(
    best: Scored,
    current: Scored,
    finalists: Sequence[Scored],
    common: Sequence[Scored],
    tried: Sequence[Scored],
    scores: Scores,
    ground: Ground,
) -> Found:
    others = sorted(finalists, key=lambda one: one.mean_db)
    here = best.layout.front.name
    runner_up = next((o for o in others if _apart(o.layout, best.layout) >= DIFFERENT_M), None)
    other_front = next((o for o in others if o.layout.front.name != here), None)
    shown = min(common, key=lambda one: one.aim_db) if common else None
    gain = gain_of(best, current)
    beside = next((o for o in others if o is not best), current)
    limit = best.aim_db + max(gain_of(best, beside).error_db, WORTH_MOVING_DB)
    robust = [o for o in tried if o.layout.front.name == here and o.aim_db <= limit]
    return Found(
        best,
        current,
        runner_up,
        other_front,
        None if shown is None else scores.robustly(shown),
        shown is not None and not fits(shown.layout, scores.asked, ground),
        tuple(tried),
        tuple(robust),
        gain,
    )


def _apart(one: Layout, other: Layout) -> float:
    return max(
        float(np.linalg.norm(one.seat - other.seat)),
        float(np.linalg.norm(one.left - other.left)),
    )


def _why_none(asked: Asked) -> str:
    limits = asked.limits
    deepest = max(front.depth_m for front in asked.fronts)
    wanted = (
        f"head {limits.seat_m[0]:g} to {limits.seat_m[1]:g} m from the front wall, loudspeakers "
        f"{limits.off_wall_m[0]:g} to {limits.off_wall_m[1]:g} m off it and "
        f"{limits.base_m[0]:g} to {limits.base_m[1]:g} m apart"
    )
    if limits.seat_m[0] > deepest - limits.head_clear_m:
        return (
            f"place: --seat: a head {limits.seat_m[0]:g} m from the front wall is outside the room "
            f"or within {limits.head_clear_m:g} m of the wall behind, {deepest:.2f} m away; "
            f"ask for less than {deepest - limits.head_clear_m:.2f} m"
        )
    return (
        f"place: no layout fits ({wanted}); widen a range, allow another front wall, or move "
        "furniture out of the way in the scene"
    )
