"""Which reflections a report lists, in what order, and how each is put into words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim import digits
from raysim.quantities.reflections import (
    EarlyReflection,
    Place,
    criterion_bands,
    delay_tolerance_s,
    early_reflections,
    judged_bands,
    place_on,
)
from raysim.report.drawings import NumberedPath
from raysim.results.data import Reflection, Result
from raysim.scene.data import UP, Facet, Scene
from raysim.theory.criteria import REFLECTION_WINDOW_S

LATEST_S = 0.040
MOST_SINGLE = 12
MOST_LONGER = 4
SAME_SPOT_M = 0.3
SMALLEST_MEASURED_M2 = 0.05
FACING = 0.95

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Listed:
    """A reflection in the table.

    Attributes
    ----------
    numbered : NumberedPath
    surfaces : str
        'left', or 'floor, rear' in the order met.
    level_db : float
        Highest level re direct in the bands of the criterion, NaN without such bands.
    is_met : bool or None
        Against the criterion; None where it says nothing (later, or no such band).
    is_early : bool
        Within the window of the criterion.
    places : tuple of Place
    """

    numbered: NumberedPath
    surfaces: str
    level_db: float
    is_met: bool | None
    is_early: bool
    places: tuple[Place, ...]

    @property
    def reflection(self) -> Reflection:
        """The path itself."""
        return self.numbered.reflection

    @property
    def delay_ms(self) -> float:
        """Arrival after the direct sound."""
        return 1e3 * self.reflection.delay_s


def delay_ms(scene: Scene, path: Reflection) -> tuple[str, str]:
    """Delay after the direct sound and what the tape leaves open of it, empty where not stated."""
    tolerance_ms = 1e3 * delay_tolerance_s(scene, path)
    if not np.isfinite(tolerance_ms):
        return digits.tidy(1e3 * path.delay_s, 2), ""
    return digits.rounded(1e3 * path.delay_s, tolerance_ms)


def delay_in_words(scene: Scene, path: Reflection) -> str:
    """'0.87 ± 0.04 ms', or 'about 0.9 ms' where the tape's tolerance is not stated."""
    delay, tolerance = delay_ms(scene, path)
    if not tolerance:
        return f"about {digits.tidy(1e3 * path.delay_s, 1)} ms"
    return f"{delay} ± {tolerance} ms"


def list_reflections(result: Result, variant: int = 0, receiver: int = 0) -> list[Listed]:
    """Reflections for table and drawings, numbered: order 1 by source and time, then others.

    Of each source the strongest `MOST_SINGLE` of one reflection within `LATEST_S`, and the
    strongest `MOST_LONGER` that met more surfaces within the window of the criterion. Of paths by
    the same surfaces that meet them within `SAME_SPOT_M` of each other, as off neighbouring facets
    of a curved surface, the strongest stands for all. None of a source that plays no band of the
    criterion, where the result has some.
    """
    judged = {id(one.reflection): one for one in early_reflections(result)}
    single: list[Reflection] = []
    longer: list[Reflection] = []
    for source in range(len(result.scene.sources)):
        if source in unjudged(result):
            continue
        here = [
            path
            for path in result.reflections
            if (path.variant, path.source, path.receiver) == (variant, source, receiver)
            and path.energy.max() > 0
        ]
        first = [p for p in here if p.order == 1 and p.delay_s <= LATEST_S]
        single += sorted(
            _apart(result.scene, _strongest(result, first))[:MOST_SINGLE], key=lambda p: p.delay_s
        )
        more = [p for p in here if p.order > 1 and id(p) in judged]
        longer += _apart(result.scene, _strongest(result, more))[:MOST_LONGER]
    longer.sort(key=lambda p: (p.source, p.delay_s))
    return [
        _listed(result, NumberedPath(number, path), judged.get(id(path)))
        for number, path in enumerate([*single, *longer], start=1)
    ]


def level_db(result: Result, path: Reflection) -> float:
    """Highest level re direct in the bands of the criterion; NaN without such bands."""
    bands = judged_bands(result.scene)[path.source]
    return float(path.level_db[bands].max()) if bands else float("nan")


def unjudged(result: Result) -> list[int]:
    """Sources that play no band of the criterion; none where the result has no such band."""
    if not criterion_bands(result.scene.bands_hz):
        return []
    return [source for source, bands in enumerate(judged_bands(result.scene)) if not bands]


def drawn(listed: list[Listed], most_longer: int = 2) -> list[NumberedPath]:
    """Paths for the drawings: all single reflections, the strongest few longer ones a source."""
    kept = [one.numbered for one in listed if one.reflection.order == 1]
    for source in sorted({one.reflection.source for one in listed}):
        longer = [
            one for one in listed if one.reflection.source == source and one.reflection.order == 2
        ]
        longer.sort(key=lambda one: -np.nan_to_num(one.level_db, nan=-np.inf))
        kept += [one.numbered for one in longer[:most_longer]]
    return kept


def in_words(scene: Scene, facet: int, place: Place, point: Array) -> str:
    """Place on a surface for someone with a tape, metric and inches.

    On a facet too small to measure on, as of a curved surface, the distances are to the ends of
    the room instead, level and along its axes.
    """
    parts = []
    if place.is_upright or place.above_floor_m >= 0.005:
        parts.append(f"{_tape(place.above_floor_m)} above the floor")
    piece = scene.facets[facet]
    if piece.area >= SMALLEST_MEASURED_M2:
        parts += [f"{_tape(distance)} from its {edge} edge" for edge, distance in place.edges]
        return ", ".join(parts)
    right = scene.right_of(scene.front)
    for axis, end, other in ((right, "right", "left"), (scene.front, "front", "rear")):
        along = scene.mesh.vertices @ axis
        to_end, to_other = float(along.max() - point @ axis), float(point @ axis - along.min())
        name, distance = (end, to_end) if to_end <= to_other else (other, to_other)
        parts.append(f"{_tape(distance)} from the {name} end of the room")
    return ", ".join(parts)


def facet_name(scene: Scene, number: int) -> str:
    """Name of a facet for people: that of its surface, of an object with its side: 'desk top'.

    Where several facets of an object lie to one side, numbers tell them apart.
    """
    facet = scene.facets[number]
    surface = scene.surfaces[facet.surface]
    if surface.owner == "room" or facet.name == surface.name:
        return facet.name
    side = _side(scene, facet)
    own = [one for one in scene.facets if one.surface == facet.surface]
    alone = side and [_side(scene, one) for one in own].count(side) == 1
    return f"{surface.name} {side}" if alone else facet.name


def _side(scene: Scene, facet: Facet) -> str:
    """Which way a facet faces; empty where along none of the axes."""
    right = scene.right_of(scene.front)
    ways = {"top": UP, "front": scene.front, "right": right}
    for (name, way), other in zip(ways.items(), ("underside", "rear", "left"), strict=True):
        share = float(facet.normal @ way)
        if abs(share) > FACING:
            return name if share > 0 else other
    return ""


def verdict(one: Listed) -> tuple[str, str]:
    """Words and mark ('above', 'below', 'later') of the criterion's verdict."""
    if not one.is_early:
        return f"after {1e3 * REFLECTION_WINDOW_S:g} ms", "later"
    if one.is_met is None:
        return "not judged", "later"
    return ("within", "below") if one.is_met else ("above", "above")


def _tape(length_m: float) -> str:
    return f"{digits.centimetres(length_m)} ({digits.inches(length_m)})"


def _strongest(result: Result, paths: list[Reflection]) -> list[Reflection]:
    """Sort by level in the bands of the criterion, or in all bands without such."""
    every = list(range(len(result.scene.bands_hz)))
    bands = [own or every for own in judged_bands(result.scene)]
    return sorted(paths, key=lambda p: -float(p.level_db[bands[p.source]].max()))


def _apart(scene: Scene, strongest_first: list[Reflection]) -> list[Reflection]:
    """Leave out paths that nearly repeat a stronger one."""
    kept: list[tuple[tuple[int, ...], Reflection]] = []
    for path in strongest_first:
        surfaces = tuple(scene.facets[f].surface for f in path.facets)
        if not any(
            surfaces == others
            and np.linalg.norm(path.points - other.points, axis=1).max() < SAME_SPOT_M
            for others, other in kept
        ):
            kept.append((surfaces, path))
    return [path for _, path in kept]


def _listed(result: Result, numbered: NumberedPath, judged: EarlyReflection | None) -> Listed:
    path, scene = numbered.reflection, result.scene
    facets = [scene.facets[f] for f in path.facets]
    return Listed(
        numbered=numbered,
        surfaces=", ".join(scene.surfaces[f.surface].name for f in facets),
        level_db=judged.level_db if judged else level_db(result, path),
        is_met=judged.is_met if judged else None,
        is_early=judged is not None,
        places=judged.places
        if judged
        else tuple(place_on(scene, f, p) for f, p in zip(facets, path.points, strict=True)),
    )
