"""What a client can verify by hand, with a mirror, a tape and a tone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim import digits
from raysim.quantities import modes_of
from raysim.quantities.bass_plan import walk
from raysim.report.listed import Listed, in_words
from raysim.results.data import Result
from raysim.scene.inside import AIR, locate

Array = NDArray[np.float64]

MOST_MIRRORS, MOST_TONES = 3, 2
STEP_M = 0.02
LEAST_DIP_DB = 6.0
OFF_WALL_M = 0.1


def hand_checks(first: Result, listed: Sequence[Listed]) -> list[str]:
    """Mirror points of the strongest single reflections, then quiet spots of the lowest modes.

    Parameters
    ----------
    first : Result
        Of one variant, in its own room.
    listed : sequence of Listed
        Reflections at its first receiver.
    """
    return [*_mirrors(first, listed), *_tones(first)]


def _mirrors(first: Result, listed: Sequence[Listed]) -> list[str]:
    scene = first.scene
    single = [one for one in listed if one.reflection.order == 1 and one.is_early]
    single.sort(key=lambda one: -np.nan_to_num(one.level_db, nan=-np.inf))
    said = []
    for one in single[:MOST_MIRRORS]:
        path = one.reflection
        place = in_words(scene, path.facets[0], one.places[0], path.points[0])
        source = scene.sources[path.source].name
        seat = scene.receivers[path.receiver].name
        said.append(
            f"Hold a mirror flat on “{one.surfaces}” {place}: from “{seat}” you see “{source}” in "
            "it (±2 cm)."
        )
    return said


def _tones(first: Result) -> list[str]:
    """Quietest spot along a straight walk from the front to the rear through the head."""
    if first.bass is None:
        return []
    start, end = _walk_ends(first)
    said: list[str] = []
    for mode in modes_of(first, first.bass):
        f = mode.frequency_hz
        if len(said) == MOST_TONES:
            break
        low, high = first.bass.frequency_hz[[0, -1]]
        if not mode.kind.startswith("along the length") or not low <= f <= high:
            continue
        distance, level = walk(first, f, start, end)
        if not np.isfinite(level).any():
            continue
        quiet = int(np.nanargmin(level))
        if np.nanmax(level) - level[quiet] < LEAST_DIP_DB:
            continue
        metres = float(distance[quiet]) + OFF_WALL_M
        said.append(
            f"Play {digits.tidy(f, 0)} Hz softly and walk from the front wall straight through the "
            f"seat: it is quietest {metres:.1f} m from the wall (±0.2 m)."
        )
    return said


def _walk_ends(first: Result) -> tuple[Array, Array]:
    """(3,) each, a hand off the walls before and behind the first receiver."""
    scene = first.scene
    head = scene.receivers[0].position
    reach = float(np.ptp(scene.mesh.vertices @ scene.front))
    ends = []
    for way in (scene.front, -scene.front):
        steps = np.arange(0.0, reach, STEP_M)
        air = np.array(locate(scene, head + steps[:, None] * way)) == AIR
        last = int(np.argmin(air)) - 1 if not air.all() else len(air) - 1
        ends.append(head + max(float(steps[last]) - OFF_WALL_M, 0.0) * way)
    return ends[0], ends[1]
