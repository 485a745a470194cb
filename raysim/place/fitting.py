"""Which layouts have room, and what to say where none has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from raysim.place.layouts import Layout, candidates
from raysim.place.limits import Limits
from raysim.place.rooms import CHAIR_M, SILL_M, Front, Ground, fronts_of
from raysim.place.scores import Asked
from raysim.place.zones import is_drawn_in
from raysim.scene.inside import AIR, locate

Array = NDArray[np.float64]

DESK_CLEAR_M = 0.03
OPTIONS = {"--seat": "seat_m", "--off-wall": "off_wall_m", "--base": "base_m"}
LENGTHS = {
    "seat_m": "the head {:g} to {:g} m from the front wall",
    "off_wall_m": "loudspeakers {:g} to {:g} m off the front wall",
    "base_m": "loudspeakers {:g} to {:g} m apart",
}


def all_fitting(
    asked: Asked,
    ground: Ground,
    limits: Limits | None = None,
    fronts: Sequence[Front] | None = None,
) -> list[Layout]:
    """All layouts of the grid that have room, within other limits or before other fronts too."""
    ear, raised = float(asked.current.seat[2]), _raised(asked.current)
    possible = candidates(fronts or asked.fronts, limits or asked.limits, ear, raised)
    return fitting_of(list(possible), asked, ground)


def fitting_of(layouts: Sequence[Layout], asked: Asked, ground: Ground) -> list[Layout]:
    """Those that have room; all places are looked at together."""
    if not layouts:
        return []
    for points, radius_m in _needs(layouts, asked):
        ground.look(points, radius_m)
    return [one for one in layouts if fits(one, asked, ground)]


def fits(one: Layout, asked: Asked, ground: Ground) -> bool:
    """Whether head, chair, loudspeakers, stands and desk have room."""
    return all(ground.is_clear(points, radius_m) for points, radius_m in _needs([one], asked))


def in_air(one: Layout, asked: Asked) -> bool:
    """Whether both loudspeakers and the whole head zone lie in the air at all."""
    places = locate(asked.scene, np.array([one.left, one.right, one.seat]))
    if any(where != AIR for where in places):
        return False
    return not is_drawn_in(asked.scene, one.seat, asked.zone)


def why_none(asked: Asked, ground: Ground) -> str:
    """A sentence: which wish can't be met, and what could be had instead."""
    limits, plain = asked.limits, Limits()
    deepest = max(front.depth_m for front in asked.fronts)
    if limits.seat_m[0] > deepest - limits.head_clear_m:
        return (
            f"place: --seat: a head {limits.seat_m[0]:g} m from the front wall is outside the room "
            f"or within {limits.head_clear_m:g} m of the wall behind, {deepest:.2f} m away; "
            f"ask for less than {deepest - limits.head_clear_m:.2f} m"
        )
    for option, name in OPTIONS.items():
        if getattr(limits, name) == getattr(plain, name):
            continue
        free = all_fitting(asked, ground, replace(limits, **{name: getattr(plain, name)}))
        if free:
            lengths = [getattr(one, name) for one in free]
            asked_for = LENGTHS[name].format(*getattr(limits, name))
            could_be = LENGTHS[name].format(min(lengths), max(lengths))
            return f"place: {option}: no layout fits with {asked_for}; what fits has {could_be}"
    if limits.fronts:
        everywhere = fronts_of(asked.scene, float(asked.current.seat[2]))
        names = dict.fromkeys(
            one.front.name for one in all_fitting(asked, ground, fronts=everywhere)
        )
        if names:
            return (
                f"place: --front: no layout fits before {_listed(limits.fronts)}; "
                f"before {_listed(names)} there is room"
            )
    return (
        f"place: no layout fits: heads stay {limits.head_clear_m:g} m and loudspeakers "
        f"{limits.loudspeaker_clear_m:g} m from everything, and these are "
        f"{limits.distance_m[0]:g} m or more from the head; widen --seat, --off-wall or --base, "
        "or move furniture out of the way in the scene"
    )


def _listed(names: Sequence[str] | dict[str, None]) -> str:
    return ", ".join(f"'{name}'" for name in names)


def _needs(layouts: Sequence[Layout], asked: Asked) -> list[tuple[Array, float]]:
    """Places (n, 3) and how far from everything they must be."""
    limits, floor = asked.limits, asked.scene.floor_m
    seats = np.array([one.seat for one in layouts])
    ends = np.array([each for one in layouts for each in (one.left, one.right)])
    heads = np.concatenate([seats, *(_at_height(seats, floor + h) for h in CHAIR_M)])
    stands = np.concatenate([ends, _at_height(ends, floor + SILL_M)])
    needs = [(heads, limits.head_clear_m), (stands, limits.loudspeaker_clear_m)]
    if asked.desk is not None:
        corners = np.concatenate([one.desk_corners(asked.desk) for one in layouts])
        middles = corners.reshape(-1, 4, 2).mean(axis=1)
        plan = np.concatenate([corners, middles])
        height = (asked.desk.low_m + asked.desk.high_m) / 2
        needs.append((np.column_stack([plan, np.full(len(plan), height)]), DESK_CLEAR_M))
    return needs


def _at_height(points: Array, z: float) -> Array:
    return np.column_stack([points[:, :2], np.full(len(points), z)])


def _raised(current: Layout) -> list[float]:
    """Loudspeakers at ear height, and as much above or below as they stand now."""
    now = round(float((current.left[2] + current.right[2]) / 2 - current.seat[2]), 3)
    return [0.0] if abs(now) < 0.02 else [0.0, now]
