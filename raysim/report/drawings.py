"""Plan and section of the room, drawn as an architect would, with the early paths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from raysim.report import lettering, marks, style, views
from raysim.results.data import Reflection
from raysim.scene.data import UP, Scene

Array = NDArray[np.float64]

LEVEL = 0.6
TALLEST_IN = 5.4
MOST_NAMED_RECEIVERS = 6
SAME_ON_PAPER_M = 0.02


@dataclass(frozen=True)
class NumberedPath:
    """A reflection with the number it carries in drawings and tables."""

    number: int
    reflection: Reflection


def draw_plan(scene: Scene, paths: Sequence[NumberedPath], receiver: int = 0) -> Figure:
    """Plan cut at ear height, front of the room at the top.

    Paths that turn mainly in plan (reflected by upright surfaces) are drawn; those by way of
    floor, ceiling or a table top would hide behind the direct sound and are left to the section.
    """
    seat = scene.receivers[receiver]
    view = views.plan_view(scene)
    cut = views.cut(scene, view, seat.position)
    figure, axes, scale = _paper(scene, view, cut, (0.45, 0.85, 0.62, 0.85))
    for owner in views.objects(scene):
        low, high = views.height_range(scene, owner)
        overhead = low > seat.position[2]
        marks.shape(
            axes,
            views.footprint(scene, owner, view),
            "none" if overhead else style.FURNITURE,
            style.QUIET,
            0.7 if not low < seat.position[2] < high else 1.4,
            1.5,
            "dashed" if overhead else "solid",
        )
    _room_with_sound(scene, axes, view, cut, scale, _turning_in(scene, paths, UP), receiver)
    if cut.air is not None:
        _chains(axes, scene, view, cut.air, receiver, scale)
    return figure


def draw_section(scene: Scene, paths: Sequence[NumberedPath], receiver: int = 0) -> Figure:
    """Upright section through the seat, looking to the right-hand side: front on the left.

    Sources beside the cut are projected onto it.
    """
    seat = scene.receivers[receiver]
    view = views.section_view(scene)
    cut = views.cut(scene, view, seat.position)
    figure, axes, scale = _paper(scene, view, cut, (0.62, 0.85, 0.85, 0.4))
    right = scene.right_of(scene.front)
    for owner in views.objects(scene):
        chosen = np.array([s.owner == owner for s in scene.surfaces])[scene.mesh.surface]
        side = scene.mesh.corners[chosen] @ right - seat.position @ right
        marks.shape(
            axes,
            views.footprint(scene, owner, view),
            style.FURNITURE if side.min() <= 0 <= side.max() else "none",
            style.QUIET if side.max() > 0 else style.HAIRLINE,
            1.2 if side.min() <= 0 <= side.max() else 0.6,
            1.5,
        )
    _room_with_sound(scene, axes, view, cut, scale, _turning_in(scene, paths, right), receiver)
    if cut.air is not None:
        _heights(axes, scene, view, cut.air, receiver, scale)
    return figure


def _turning_in(scene: Scene, paths: Sequence[NumberedPath], axis: Array) -> list[NumberedPath]:
    """Paths by surfaces that stand along `axis`: they turn in the plane across it."""
    return [
        path
        for path in paths
        if all(abs(float(scene.facets[f].normal @ axis)) < LEVEL for f in path.reflection.facets)
    ]


def _room_with_sound(
    scene: Scene,
    axes: Axes,
    view: views.View,
    cut: views.Cut,
    scale: float,
    paths: Sequence[NumberedPath],
    receiver: int,
) -> None:
    """Draw outline, names, sound and its numbers over the furniture."""
    _shell(scene, axes, cut)
    pins = marks.Pins(axes, 0.08 * scale)
    if cut.air is not None:
        lettering.keep_outside_free(pins, cut.air, scale)
    lettering.names_of_surfaces(scene, axes, cut, scale, pins)
    lettering.names_of_objects(scene, axes, view, scale, pins)
    _sound(scene, axes, view, paths, receiver, scale, pins)


def _paper(
    scene: Scene, view: views.View, cut: views.Cut, margins_in: tuple[float, float, float, float]
) -> tuple[Figure, Axes, float]:
    """Sheet with the room on it; margins left, right, below, above. Also metres per inch."""
    corners = cut.segments.reshape(-1, 2)
    corners = corners if len(corners) else view.flat(scene.mesh.vertices)
    low, high = corners.min(axis=0), corners.max(axis=0)
    left, right, below, above = margins_in
    wide, tall = high - low
    scale = float(max(wide / (style.PLAN_WIDTH_IN - left - right), tall / TALLEST_IN))
    spare = (style.PLAN_WIDTH_IN - left - right - wide / scale) / 2
    figure, axes = style.sheet(style.PLAN_WIDTH_IN, float(tall / scale) + below + above)
    axes.set_xlim(low[0] - (left + spare) * scale, high[0] + (right + spare) * scale)
    axes.set_ylim(low[1] - below * scale, high[1] + above * scale)
    return figure, axes, scale


def _shell(scene: Scene, axes: Axes, cut: views.Cut) -> None:
    if cut.air is not None:
        solid = cut.air.buffer(marks.MASONRY_M, join_style="mitre").difference(cut.air)
        marks.shape(axes, solid, style.MASONRY, "none", 0.0, 1.0)
        marks.shape(axes, cut.air, "none", style.INK, 1.9, 3.0)
    of_room = np.array([s.owner == "room" for s in scene.surfaces])[cut.surface]
    for chosen, width in ((of_room, 1.9), (~of_room, 1.2)):
        lines = shapely.linestrings(np.round(cut.segments[chosen], 4))
        runs = shapely.line_merge(shapely.union_all(lines)).simplify(1e-4)
        for run in getattr(runs, "geoms", [runs]):
            points = shapely.get_coordinates(run)
            axes.plot(points[:, 0], points[:, 1], color=style.INK, linewidth=width, zorder=3)


def _sound(
    scene: Scene,
    axes: Axes,
    view: views.View,
    paths: Sequence[NumberedPath],
    receiver: int,
    scale: float,
    pins: marks.Pins,
) -> None:
    """Draw direct sound, paths, numbers, sources and receivers."""
    seat = view.flat(scene.receivers[receiver].position)
    pins.avoid(seat, 0.13 * scale)
    pins.avoid(seat - np.array([0, 0.3 * scale]), 0.15 * scale, 0.06 * scale)
    together: dict[tuple[float, float], list[int]] = {}
    for index, source in enumerate(scene.sources):
        place = view.flat(source.position)
        marks.polyline(axes, np.array([place, seat]), style.QUIET, (1, 2.5), 0.7)
        together.setdefault((round(place[0], 2), round(place[1], 2)), []).append(index)
    labels = [
        style.short(", ".join(scene.sources[i].name for i in same)) for same in together.values()
    ]
    for (x, y), label in zip(together, labels, strict=True):
        pins.avoid(np.array([x, y]), 0.11 * scale)
        pins.avoid(np.array([x, y + 0.19 * scale]), 0.03 * len(label) * scale, 0.06 * scale)
    _draw_paths(scene, axes, view, paths, pins)
    for same, label in zip(together.values(), labels, strict=True):
        first = scene.sources[same[0]]
        colour = style.look(same[0]).colour if len(same) == 1 else style.QUIET
        size = 0.085 * scale
        marks.source(axes, view.flat(first.position), view.flat(first.aim), label, colour, size)
    for index, person in enumerate(scene.receivers):
        where = view.flat(person.position)
        if index != receiver:
            axes.plot(*where, marker="o", markersize=2.6, color=style.QUIET, zorder=5)
            if len(scene.receivers) <= MOST_NAMED_RECEIVERS:
                below = where - np.array([0, 0.1 * scale])
                marks.name(axes, below, person.name, colour=style.QUIET)
            continue
        half = np.abs(view.flat(np.diag(person.zone))).sum(axis=0)
        marks.head(axes, where, view.flat(person.facing), half, 0.075 * scale)
        marks.name(axes, where - np.array([0, half[1] + 0.1 * scale]), person.name)


def _draw_paths(
    scene: Scene,
    axes: Axes,
    view: views.View,
    paths: Sequence[NumberedPath],
    pins: marks.Pins,
) -> None:
    labels: list[tuple[Array, Array, list[int], str]] = []
    lines = [view.flat(_corners(scene, path.reflection)) for path in paths]
    for path, line in zip(paths, lines, strict=True):
        reflection = path.reflection
        first = reflection.order == 1
        shared = any(
            other.reflection.source != reflection.source
            and len(drawn) == len(line)
            and np.abs(drawn - line).max() < SAME_ON_PAPER_M
            for other, drawn in zip(paths, lines, strict=True)
        )
        colour = style.QUIET if shared else style.look(reflection.source).colour
        marks.polyline(axes, line, colour, None if first else (4, 2), 1.2 if first else 0.8)
        for facet, where in zip(reflection.facets, line[1:-1], strict=True):
            inward = view.flat(scene.facets[facet].normal)
            for known, _, numbers, _ in labels:
                if np.linalg.norm(known - where) < SAME_ON_PAPER_M:
                    numbers.append(path.number)
                    break
            else:
                labels.append((where, inward, [path.number], colour))
    for where, _, _, _ in labels:
        pins.avoid(where, 0.02)
    for where, inward, numbers, colour in labels:
        text = ", ".join(str(n) for n in sorted(set(numbers)))
        pins.put(where, text, inward, colour)


def _corners(scene: Scene, reflection: Reflection) -> Array:
    """(order + 2, 3) points of a path from the source to the receiver."""
    start = scene.sources[reflection.source].position
    return np.vstack([start, reflection.points, scene.receivers[reflection.receiver].position])


def _chains(
    axes: Axes,
    scene: Scene,
    view: views.View,
    air: shapely.Polygon,
    receiver: int,
    scale: float,
) -> None:
    """Dimension lines of the plan: overall, through the first source, through the seat."""
    low_x, low_y, high_x, high_y = air.bounds
    seat = view.flat(scene.receivers[receiver].position)
    sources = view.flat(np.array([s.position for s in scene.sources]))
    gap = 0.085 * scale
    level = np.abs(sources[:, 1] - sources[0, 1]) < 0.02
    ends = views.extent_along(air, sources[0], np.array([1.0, 0.0]))
    marks.dimensions(axes, [*ends, *sources[level, 0]], high_y + 0.36 * scale, "x", gap)
    marks.dimensions(axes, [low_x, high_x], high_y + 0.58 * scale, "x", gap)
    ends = views.extent_along(air, seat, np.array([0.0, 1.0]))
    aligned = sources[:, 1] if len(sources) <= 3 else sources[:1, 1]
    marks.dimensions(axes, [*ends, seat[1], *aligned], high_x + 0.36 * scale, "y", gap)
    marks.dimensions(axes, [low_y, high_y], high_x + 0.58 * scale, "y", gap)
    ends = views.extent_along(air, seat, np.array([1.0, 0.0]))
    marks.dimensions(axes, [*ends, seat[0]], low_y - 0.4 * scale, "x", gap, side=-1)
    corner = np.array([low_x - 0.22 * scale, high_y + 0.36 * scale])
    axes.annotate(
        "",
        (corner[0], corner[1] + 0.3 * scale),
        (corner[0], corner[1]),
        arrowprops={"arrowstyle": "-|>", "color": style.QUIET, "linewidth": 0.8},
    )
    marks.name(axes, corner - np.array([0, 0.08 * scale]), "front", colour=style.QUIET)


def _heights(
    axes: Axes,
    scene: Scene,
    view: views.View,
    air: shapely.Polygon,
    receiver: int,
    scale: float,
) -> None:
    """Dimension lines of the section: length, height at the seat, ear and source heights."""
    low_x, low_y, high_x, high_y = air.bounds
    seat = view.flat(scene.receivers[receiver].position)
    source = view.flat(scene.sources[0].position)
    gap = 0.085 * scale
    ends = views.extent_along(air, seat, np.array([1.0, 0.0]))
    marks.dimensions(axes, [*ends, seat[0], source[0]], low_y - 0.36 * scale, "x", gap, side=-1)
    marks.dimensions(axes, [low_x, high_x], low_y - 0.58 * scale, "x", gap, side=-1)
    ends = views.extent_along(air, seat, np.array([0.0, 1.0]))
    marks.dimensions(axes, [*ends, seat[1]], high_x + 0.36 * scale, "y", gap)
    ends = views.extent_along(air, source, np.array([0.0, 1.0]))
    marks.dimensions(axes, [*ends, source[1]], low_x - 0.36 * scale, "y", gap, side=-1)
    marks.dimensions(axes, [low_y, high_y], high_x + 0.58 * scale, "y", gap)
