"""Plan and section of the room, drawn as an architect would, with the early paths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from raysim.report import marks, style, views
from raysim.results.data import Reflection
from raysim.scene.data import UP, Scene

Array = NDArray[np.float64]

# Drawn thickness of what bounds the air; its real thickness is not known and not used.
MASONRY_M = 0.09
SHORTEST_NAMED_M = 0.45
LEVEL = 0.6
TALLEST_IN = 5.4
MOST_NAMED_RECEIVERS = 6
# Half the width of a letter of a name, and the height of its line.
LETTER_IN = 0.034
LINE_IN = 0.13
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
    _names_of_surfaces(scene, axes, cut, scale, pins)
    _names_of_objects(scene, axes, view, scale, pins)
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
        solid = cut.air.buffer(MASONRY_M, join_style="mitre").difference(cut.air)
        marks.shape(axes, solid, style.MASONRY, "none", 0.0, 1.0)
        marks.shape(axes, cut.air, "none", style.INK, 1.9, 3.0)
    of_room = np.array([s.owner == "room" for s in scene.surfaces])[cut.surface]
    for chosen, width in ((of_room, 1.9), (~of_room, 1.2)):
        lines = shapely.linestrings(np.round(cut.segments[chosen], 4))
        runs = shapely.line_merge(shapely.union_all(lines)).simplify(1e-4)
        for run in getattr(runs, "geoms", [runs]):
            points = shapely.get_coordinates(run)
            axes.plot(points[:, 0], points[:, 1], color=style.INK, linewidth=width, zorder=3)


def _names_of_surfaces(
    scene: Scene, axes: Axes, cut: views.Cut, scale: float, pins: marks.Pins
) -> None:
    """Write each cut surface's name along it, outside the room."""
    if cut.air is None:
        return
    for index in np.unique(cut.surface):
        surface = scene.surfaces[index]
        ends = cut.segments[cut.surface == index]
        lengths = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
        if surface.owner != "room" or lengths.sum() < SHORTEST_NAMED_M:
            continue
        run = shapely.line_merge(shapely.union_all(shapely.linestrings(np.round(ends, 4))))
        longest = max(getattr(run, "geoms", [run]), key=lambda line: float(line.length))
        middle = shapely.get_coordinates(longest.interpolate(0.5, normalized=True))[0]
        nearest = int(
            np.argmin([shapely.LineString(e).distance(shapely.Point(middle)) for e in ends])
        )
        along = ends[nearest, 1] - ends[nearest, 0]
        along = along / np.linalg.norm(along)
        outward = np.array([-along[1], along[0]])
        if cut.air.covers(shapely.Point(middle + 0.02 * outward)):
            outward = -outward
        angle = (np.degrees(np.arctan2(along[1], along[0])) + 90) % 180 - 90
        if abs(angle + 90) < 1:
            angle = 90.0
        place = middle + outward * (MASONRY_M + 0.12 * scale)
        marks.name(axes, place, surface.name, float(angle))
        reach = LETTER_IN * scale * len(style.short(surface.name))
        pins.avoid(
            place,
            max(0.06 * scale, reach * abs(along[0])),
            max(0.06 * scale, reach * abs(along[1])),
        )


def _names_of_objects(
    scene: Scene, axes: Axes, view: views.View, scale: float, pins: marks.Pins
) -> None:
    """Write each object's name in a corner of it, or where it is thin under or beside it."""
    alike: dict[tuple[float, ...], list[str]] = {}
    bounds: dict[tuple[float, ...], tuple[float, float, float, float]] = {}
    for owner in views.objects(scene):
        area = views.footprint(scene, owner, view)
        if not area.is_empty:
            about = tuple(round(edge, 1) for edge in area.bounds)
            alike.setdefault(about, []).append(owner)
            bounds.setdefault(about, area.bounds)
    corners = view.flat(scene.mesh.vertices)
    low, high = corners.min(axis=0), corners.max(axis=0)
    ground, middle = float(low[1]), float(low[0] + high[0]) / 2
    for about, owners in alike.items():
        low_x, low_y, high_x, high_y = bounds[about]
        wide, tall = high_x - low_x, high_y - low_y
        if max(wide, tall) < 0.35 * scale:
            continue
        names = [style.short(owner) for owner in owners]
        lines, turn = _fitted(names, wide / scale, tall / scale)
        inset, length = 0.1 * scale, LETTER_IN * scale * max(map(len, lines))
        height = LINE_IN * scale * len(lines)
        below = low_y - 0.3 * inset - height / 2
        if turn:
            off = 0.3 * inset + height / 2
            beside = high_x + off if high_x < middle else low_x - off
            place = (high_x - off if height < wide else beside, (low_y + high_y) / 2)
        elif (tall < height or wide < 2 * length) and below > ground + inset:
            place = ((low_x + high_x) / 2, below)
        elif wide < 2 * length:
            place = ((low_x + high_x) / 2, (low_y + high_y) / 2)
        else:
            corner = low_x + 0.05 * scale + length
            place = (min(corner, (low_x + high_x) / 2), low_y + 0.3 * inset + height / 2)
        half = (height / 2, length) if turn else (length, height / 2)
        pins.avoid(np.array(place), *half)
        marks.furniture_name(axes, place, "\n".join(lines), turn)


def _fitted(names: Sequence[str], wide_in: float, tall_in: float) -> tuple[list[str], float]:
    """Lines of the names and their turn in degrees so that they fit into a box on paper.

    Along its longer side if that is much longer; broken in two only where nothing else fits; as
    they are, level, where that doesn't either.
    """
    whole = list(names)
    broken = [line for name in names for line in _broken(name)]
    for lines in (whole, broken):
        length, height = 2 * LETTER_IN * max(map(len, lines)), LINE_IN * len(lines)
        fits_level = length <= wide_in and height <= tall_in
        fits_upright = length <= tall_in and (height <= wide_in or len(lines) == 1)
        if fits_upright and (tall_in > 1.5 * wide_in or not fits_level):
            return lines, 90.0
        if fits_level:
            return lines, 0.0
    return whole, 0.0


def _broken(name: str) -> list[str]:
    """Break a name in two after an underscore, dash or space near its middle."""
    breaks = [i + 1 for i, letter in enumerate(name[:-1]) if letter in "_- "]
    if not breaks:
        return [name]
    at = min(breaks, key=lambda i: max(i, len(name) - i))
    return [name[:at].rstrip(), name[at:]]


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
