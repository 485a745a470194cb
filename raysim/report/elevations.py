"""Surfaces unfolded: seen from inside the room, with the points where early sound meets them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from raysim import digits
from raysim.quantities.reflections import UPRIGHT
from raysim.report import marks, style
from raysim.report.drawings import NumberedPath
from raysim.report.listed import facet_name
from raysim.report.views import extent_along
from raysim.scene.data import UP, Facet, Scene

Array = NDArray[np.float64]

SMALLEST_DRAWN_M2 = 0.15
MOST_FACETS_OF_A_SURFACE = 24
WIDEST_IN, TALLEST_IN = 2.25, 2.1
MARGIN_IN = 0.66
SAME_PLACE_M = 0.005
SAME_PLANE_M = 0.005
NEARLY_PARALLEL = 0.9999
TOWARD = 0.7
MOST_TAPES = 3


@dataclass(frozen=True)
class Met:
    """Where one path meets one facet: the path's number and which of its reflections it is."""

    path: NumberedPath
    bounce: int

    @property
    def point(self) -> Array:
        """(3,) m."""
        return np.asarray(self.path.reflection.points[self.bounce])


def pieces_of_surfaces(scene: Scene) -> NDArray[np.int64]:
    """(surfaces,) number of facets of each surface; curved ones have many."""
    return np.bincount([f.surface for f in scene.facets], minlength=len(scene.surfaces))


def met_facets(scene: Scene, paths: Sequence[NumberedPath]) -> dict[int, list[Met]]:
    """Facets that the paths meet first-hand and that can be drawn flat, each with its points.

    A facet is drawn when a path of one reflection meets it; points of longer paths on it are
    added. Surfaces of many facets (curved ones) and slivers are left out.
    """
    pieces = pieces_of_surfaces(scene)
    met: dict[int, list[Met]] = {}
    for path in paths:
        for bounce, index in enumerate(path.reflection.facets):
            met.setdefault(index, []).append(Met(path, bounce))
    return {
        index: points
        for index, points in sorted(met.items(), key=lambda item: item[1][0].path.number)
        if any(m.path.reflection.order == 1 for m in points)
        and scene.facets[index].area >= SMALLEST_DRAWN_M2
        and pieces[scene.facets[index].surface] <= MOST_FACETS_OF_A_SURFACE
    }


def curved_surfaces(scene: Scene, paths: Sequence[NumberedPath]) -> list[str]:
    """Names of surfaces that the paths meet and that have too many facets to unfold."""
    pieces = pieces_of_surfaces(scene)
    hit = {scene.facets[f].surface for p in paths for f in p.reflection.facets}
    return [scene.surfaces[s].name for s in sorted(hit) if pieces[s] > MOST_FACETS_OF_A_SURFACE]


def draw_surface(scene: Scene, index: int, met: Sequence[Met]) -> Figure:
    """One facet with its neighbours in the same plane, points dimensioned in cm.

    Points of a single reflection carry dimensions from the nearest upright edge and from the
    lower edge of the drawing (the floor, for a surface that stands on it).
    """
    facet = scene.facets[index]
    axes, scale = open_sheet(scene, facet, facet_name(scene, index))
    _points(axes, facet, met, scale)
    return cast(Figure, axes.figure)


def open_sheet(scene: Scene, facet: Facet, name: str) -> tuple[Axes, float]:
    """A sheet with one facet on it, its name, neighbours and edges; also metres per inch."""
    low, high = bounds(facet)
    scale = max((high[0] - low[0]) / WIDEST_IN, (high[1] - low[1]) / TALLEST_IN)
    size_in = (high - low) / scale + 2 * MARGIN_IN
    _, axes = style.sheet(float(max(size_in[0], 2.6)), float(size_in[1]))
    spare = (max(float(size_in[0]), 2.6) - size_in[0]) / 2
    edge = MARGIN_IN * scale
    axes.set_xlim(low[0] - edge - spare * scale, high[0] + edge + spare * scale)
    axes.set_ylim(low[1] - edge, high[1] + edge)
    _neighbours(scene, axes, facet)
    marks.shape(axes, area_of(facet), style.WASH, style.INK, 1.6, 2)
    directions(scene, axes, facet, low, high, scale)
    axes.text(
        low[0],
        high[1] + 0.36 * scale,
        style.short(name),
        fontsize=style.TEXT,
        weight="bold",
        va="center",
    )
    return axes, scale


def is_upright(facet: Facet) -> bool:
    """Whether a facet is measured like a wall, from the floor up, as `place_on` does."""
    return bool(abs(facet.normal[2]) <= UPRIGHT)


def area_of(facet: Facet) -> shapely.Polygon:
    """Outline of a facet with its holes, in its frame."""
    return shapely.Polygon(facet.outline[0], facet.outline[1:])


def bounds(facet: Facet) -> tuple[Array, Array]:
    """Lowest and highest (u, v) of a facet, m."""
    outer = np.asarray(facet.outline[0])
    return outer.min(axis=0), outer.max(axis=0)


def _neighbours(scene: Scene, axes: Axes, facet: Facet) -> None:
    """Outline and name what lies in the same plane within the frame: windows, doors, patches."""
    frame = shapely.box(*np.concatenate(bounds(facet)))
    for other in scene.facets:
        if other is facet or other.normal @ facet.normal < NEARLY_PARALLEL:
            continue
        if abs((other.origin - facet.origin) @ facet.normal) > SAME_PLANE_M:
            continue
        loops = [
            facet.to_plane(other.origin + np.outer(o[:, 0], other.u) + np.outer(o[:, 1], other.v))
            for o in other.outline
        ]
        area = shapely.Polygon(loops[0], loops[1:]).intersection(frame)
        if area.area < 0.01:
            continue
        marks.shape(axes, area, "white", style.QUIET, 0.9, 2.5)
        x, y = area.representative_point().coords[0]
        marks.name(axes, np.array([x, y]), other.name, colour=style.QUIET)


def directions(
    scene: Scene, axes: Axes, facet: Facet, low: Array, high: Array, scale: float
) -> None:
    """Write at each edge which way it lies."""
    ways = {
        "front": scene.front,
        "rear": -scene.front,
        "right": scene.right_of(scene.front),
        "left": -scene.right_of(scene.front),
        "up": UP,
        "down": -UP,
    }
    middle, gap = (low + high) / 2, 0.09 * scale
    for direction, place, turn in (
        (facet.u, (high[0] + gap, middle[1]), 90),
        (-facet.u, (low[0] - gap, middle[1]), 90),
        (facet.v, (middle[0], high[1] + gap), 0),
        (-facet.v, (middle[0], low[1] - gap), 0),
    ):
        for word, way in ways.items():
            if float(direction @ way) > TOWARD:
                marks.name(axes, np.array(place), _edge(scene, facet, word), turn, style.QUIET)
                break


def _edge(scene: Scene, facet: Facet, way: str) -> str:
    """Name an edge by where it lies: 'floor' for a lower edge that stands on it."""
    z = facet.origin[2] + np.array([0.0, facet.size[1] * facet.v[2]])
    heights = scene.mesh.vertices[:, 2]
    lowest, highest = float(heights.min()), float(heights.max())
    if way == "down":
        above = float(z.min()) - lowest
        return "floor" if above < 0.01 else f"{digits.centimetres(above)} above the floor"
    if way == "up" and highest - float(z.max()) < 0.01:
        return "ceiling"
    return way


def _points(axes: Axes, facet: Facet, met: Sequence[Met], scale: float) -> None:
    low, high = bounds(facet)
    pins = marks.Pins(axes, 0.075 * scale)
    grouped: list[tuple[Array, list[Met]]] = []
    for item in met:
        where = facet.to_plane(item.point)
        for known, items in grouped:
            if np.linalg.norm(known - where) < SAME_PLACE_M:
                items.append(item)
                break
        else:
            grouped.append((where, [item]))
    for where, _ in grouped:
        pins.avoid(where, 0.02 * scale)
    outline = shapely.Polygon(facet.outline[0])
    upright = is_upright(facet)
    along: list[tuple[float, tuple[float, ...]]] = []
    up: list[tuple[float, tuple[float, ...]]] = []
    for where, items in grouped:
        single = [m for m in items if m.path.reflection.order == 1]
        colour = style.look((single or items)[0].path.reflection.source).colour
        label = ", ".join(str(n) for n in sorted({m.path.number for m in items}))
        if single:
            _drop_lines(axes, where, low, high)
            along.append((float(where[0]), extent_along(outline, where, np.array([1.0, 0.0]))))
            ends = extent_along(outline, where, np.array([0.0, 1.0]))
            up.append((float(where[1]), (float(low[1]),) if upright else ends))
            pins.put(where, label, np.array([0.4, 1.0]), colour)
        else:
            pins.put(where, label, np.array([-0.4, -1.0]), style.QUIET)
    _tape(axes, along, low[1] - 0.27 * scale, "x", scale)
    _tape(axes, up, high[0] + 0.27 * scale, "y", scale)


def _drop_lines(axes: Axes, where: Array, low: Array, high: Array) -> None:
    for line in ([where, (where[0], low[1])], [where, (high[0], where[1])]):
        axes.plot(
            *zip(*line, strict=True), color=style.QUIET, linewidth=0.5, dashes=(2, 2), zorder=3
        )


def _tape(
    axes: Axes,
    places: list[tuple[float, tuple[float, ...]]],
    at: float,
    along: str,
    scale: float,
) -> None:
    """Dimension lines in cm from the nearer of the ends, one a point, staggered to be read."""
    distinct: list[tuple[float, tuple[float, ...]]] = []
    for place, ends in sorted(places):
        if not distinct or place - distinct[-1][0] > SAME_PLACE_M:
            distinct.append((place, ends))
    outward = -1 if along == "x" else 1
    rows: list[list[tuple[float, float]]] = []
    for place, ends in distinct:
        anchor = min(ends, key=lambda end, place=place: abs(place - end))  # type: ignore[misc]
        low, high = min(anchor, place), max(anchor, place)
        for row in rows:
            if all(high < a or low > b for a, b in row):
                break
        else:
            row = []
            rows.append(row)
        if len(rows) > MOST_TAPES:
            break
        row.append((low, high))
        short = high - low < 0.42 * scale
        marks.dimensions(
            axes,
            [low, high],
            at + outward * rows.index(row) * 0.24 * scale,
            along,
            0.1 * scale if short else 0.0,
            outward,
            tick_m=0.04 * scale,
            written=digits.centimetres,
        )
