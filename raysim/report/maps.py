"""Maps on the unfolded walls, with the treatments and the best places over them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path
from numpy.typing import NDArray

from raysim import digits
from raysim.quantities.places import SURE, Places
from raysim.report import marks, style
from raysim.report.elevations import (
    NEARLY_PARALLEL,
    SAME_PLANE_M,
    SMALLEST_DRAWN_M2,
    area_of,
    bounds,
    directions,
)
from raysim.report.listed import facet_name
from raysim.report.shading import Shading
from raysim.results.data import Result
from raysim.scene.data import Facet, Scene, Treatment
from raysim.scene.placing import same_plane

Array = NDArray[np.float64]

MOST_WALLS = 6
SHEET_IN = 7.4
MARGIN_IN = 0.42
HEAD_IN = 0.36
KEY_IN = 0.62
WALL_IN = 1.75
NEAR_M = 0.3
MORE_HATCH, UNKNOWN_HATCH = "/////", "...."
KEY_WIDE_IN = 4.2
LETTER_IN = 0.055


@dataclass(frozen=True)
class Wall:
    """Facets of the room in one plane, drawn in the frame of the largest.

    Attributes
    ----------
    main : int
    others : tuple of int
        Facets in its plane that lie within its frame: windows, doors.
    """

    main: int
    others: tuple[int, ...]

    @property
    def facets(self) -> tuple[int, ...]:
        """All of them."""
        return (self.main, *self.others)


def walls_that_matter(scene: Scene, places: Places) -> list[Wall]:
    """Walls with the greatest gain of any place whose gain is known, the greatest first."""
    known = places.steps > SURE * places.steps_error

    def gain(wall: Wall) -> float:
        here = places.steps[known & np.isin(places.facet, wall.facets)]
        return float(here.max()) if here.size else 0.0

    return _greatest(scene, gain)


def walls_of_most(result: Result, shading: Shading) -> list[Wall]:
    """Walls that take most of a map of energy, most first."""
    assert result.maps is not None
    maps = result.maps
    scene = result.scene_in(0)
    whole = np.where(maps.area_m2 > 0, shading.value * maps.area_m2, 0.0)
    of_facet = np.add.reduceat(whole, maps.first)

    def energy(wall: Wall) -> float:
        return float(of_facet[list(wall.facets)].sum())

    return _greatest(scene, energy)


def _greatest(scene: Scene, worth: Callable[[Wall], float]) -> list[Wall]:
    left = sorted(range(len(scene.facets)), key=lambda k: -scene.facets[k].area)
    left = [k for k in left if scene.facets[k].area >= SMALLEST_DRAWN_M2]
    found: list[tuple[float, Wall]] = []
    while left:
        main = left.pop(0)
        others = tuple(k for k in left if _is_within(scene.facets[k], scene.facets[main]))
        wall = Wall(main, others)
        left = [k for k in left if k not in others]
        if worth(wall) > 0:
            found.append((worth(wall), wall))
    return [wall for _, wall in sorted(found, key=lambda item: -item[0])[:MOST_WALLS]]


def draw_map(
    result: Result,
    shading: Shading,
    walls: Sequence[Wall],
    places: Places | None = None,
    chosen: Sequence[int] = (),
) -> Figure:
    """All walls at one scale and with one key of colours.

    Parameters
    ----------
    shading : Shading
        The map.
    walls : sequence of Wall
    places : Places, optional
    chosen : sequence of int
        Indices of the places that are numbered, from 1.
    """
    scene = result.scene_in(0)
    boxes = [bounds(scene.facets[wall.main]) for wall in walls]
    scale = max(
        max(float((high - low)[1]) for low, high in boxes) / WALL_IN,
        max(float((high - low)[0]) for low, high in boxes) / (SHEET_IN - 2 * MARGIN_IN),
    )
    spots, height = _laid_out([(high - low) / scale for low, high in boxes])
    figure = style.blank(SHEET_IN, height)
    figure.set_layout_engine("none")
    for wall, (left, top), (low, high) in zip(walls, spots, boxes, strict=True):
        size = (high - low) / scale + 2 * MARGIN_IN
        axes = figure.add_axes(
            (
                left / SHEET_IN,
                (height - top - size[1]) / height,
                size[0] / SHEET_IN,
                size[1] / height,
            )
        )
        axes.set_axis_off()
        edge = MARGIN_IN * scale
        axes.set_xlim(low[0] - edge, high[0] + edge)
        axes.set_ylim(low[1] - edge, high[1] + edge)
        _draw_wall(result, axes, wall, shading, scale)
        if places is not None:
            _draw_places(scene, axes, wall, places, chosen)
    _draw_key(figure, shading, height)
    return figure


def _is_within(facet: Facet, main: Facet) -> bool:
    if not same_plane(facet, main) or facet.u @ main.u < NEARLY_PARALLEL:
        return False
    low, high = bounds(main)
    middle = _onto(facet, main, facet.size / 2)
    return bool(((middle > low) & (middle < high)).all())


def _onto(facet: Facet, main: Facet, flat: Array) -> Array:
    """Points (..., 2) of one facet in the frame of another of its plane."""
    shift = main.to_plane(facet.origin)
    return np.asarray(flat + shift)


def _laid_out(sizes: Sequence[Array]) -> tuple[list[tuple[float, float]], float]:
    """Left and top of each wall in inches, row by row, and the height of the sheet."""
    spots, left, top, tallest = [], 0.0, 0.0, 0.0
    for size in sizes:
        wide, tall = size + 2 * MARGIN_IN
        if left > 0 and left + wide > SHEET_IN + 1e-9:
            left, top, tallest = 0.0, top + tallest, 0.0
        spots.append((left, top))
        left, tallest = left + wide, max(tallest, tall)
    return spots, top + tallest + KEY_IN


def _draw_wall(result: Result, axes: Axes, wall: Wall, shading: Shading, scale: float) -> None:
    scene = result.scene_in(0)
    main = scene.facets[wall.main]
    low, high = bounds(main)
    for number in wall.facets:
        _draw_patches(result, axes, number, main, shading)
    for number in wall.facets:
        facet = scene.facets[number]
        area = shapely.transform(area_of(facet), lambda at, f=facet: _onto(f, main, at))
        marks.shape(axes, area, "none", style.INK, 1.4 if number == wall.main else 0.9, 3)
    for number in wall.others:
        facet = scene.facets[number]
        top = _onto(facet, main, np.array([facet.size[0] / 2, facet.size[1]]))
        marks.name(axes, top - (0.0, 0.07 * scale), facet.name, colour=style.QUIET)
    directions(scene, axes, main, low, high, scale)
    axes.text(
        low[0],
        high[1] + 0.27 * scale,
        style.short(facet_name(scene, wall.main)),
        fontsize=style.TEXT,
        weight="bold",
        va="center",
    )
    for at, along, ends in (
        (low[1] - 0.25 * scale, "x", (low[0], high[0])),
        (high[0] + 0.25 * scale, "y", (low[1], high[1])),
    ):
        marks.dimensions(
            axes, ends, at, along, 0.0, tick_m=0.04 * scale, written=digits.centimetres
        )
    _draw_treatments(result, axes, wall, scale)


def _draw_patches(result: Result, axes: Axes, number: int, main: Facet, shading: Shading) -> None:
    assert result.maps is not None
    facet, maps = result.scene_in(0).facets[number], result.maps
    shown, _ = shading.drawn(maps, number)
    side = maps.side_m[number]
    columns, rows = (np.arange(n + 1) for n in shown.shape[::-1])
    x = _onto(facet, main, np.stack([columns * side[0], 0 * columns], axis=-1))[:, 0]
    y = _onto(facet, main, np.stack([0 * rows, rows * side[1]], axis=-1))[:, 1]
    outline = shapely.transform(area_of(facet), lambda at: _onto(facet, main, at))
    marks.shape(axes, outline, "white", "none", 0.0, 1)
    mesh = axes.pcolormesh(
        *(x, y, np.ma.masked_invalid(shown)),
        cmap=shading.colours,
        norm=shading.limits,
        rasterized=True,
        zorder=1.5,
    )
    mesh.set_clip_path(_path(outline), axes.transData)
    low = np.stack(np.meshgrid(x[:-1], y[:-1]), axis=-1).reshape(-1, 2)
    cells = shapely.box(*low.T, *(low + side).T)
    for which, hatch in (
        (shown > shading.more_above, MORE_HATCH),
        (np.isnan(shown), UNKNOWN_HATCH),
    ):
        where = shapely.union_all(cells[which.ravel()], grid_size=1e-6).intersection(outline)
        for part in getattr(where, "geoms", [where]):
            if part.geom_type == "Polygon" and not part.is_empty:
                axes.add_patch(
                    PathPatch(
                        _path(part),
                        facecolor="none",
                        edgecolor=style.QUIET,
                        linewidth=0.0,
                        hatch=hatch,
                        zorder=1.7,
                    )
                )


def _path(area: shapely.Polygon) -> Path:
    loops = [area.exterior, *area.interiors]
    return Path.make_compound_path(*(Path(np.asarray(loop.coords), closed=True) for loop in loops))


def _draw_treatments(result: Result, axes: Axes, wall: Wall, scale: float) -> None:
    """Outline what the variants hang on the wall; dashed what stands or hangs close before it."""
    scene, whole = result.scene_in(0), result.scene
    main = scene.facets[wall.main]
    low, high = bounds(main)
    used = {
        index
        for variant in whole.variants
        if variant.name in result.variants
        for index in variant.treatments
    }
    for index in sorted(used):
        treatment = whole.treatments[index]
        area = _footprint(whole, treatment, main).intersection(shapely.box(*low, *high))
        if area.area <= 0:
            continue
        marks.shape(axes, area, "none", "white", 2.6, 2.5)
        dashes = "dashed" if treatment.is_object else "solid"
        marks.shape(axes, area, "none", style.INK, 1.2, 4.1, dashes)
        left, bottom, right, top = area.bounds
        turned = right - left < LETTER_IN * scale * len(treatment.name) < top - bottom
        at = ((left + right) / 2, bottom + 0.08 * scale)
        if turned:
            at = ((left + right) / 2, bottom + 0.035 * scale * (2 + len(treatment.name)))
        marks.name(axes, np.array(at), treatment.name, 90 if turned else 0)


def _footprint(scene: Scene, treatment: Treatment, main: Facet) -> shapely.Geometry:
    """What a treatment takes of a plane: its place on it, or an object's that is near it."""
    if treatment.is_object:
        away = (treatment.corners - main.origin) @ main.normal
        if away.min() < -SAME_PLANE_M or away.min() > NEAR_M:
            return shapely.Polygon()
        return shapely.MultiPoint(main.to_plane(treatment.corners)).convex_hull
    facet = scene.facets[treatment.facet]
    if not same_plane(facet, main):
        return shapely.Polygon()
    area = shapely.box(*treatment.rect)
    return shapely.transform(area, lambda at: _onto(facet, main, at))


def _draw_places(
    scene: Scene, axes: Axes, wall: Wall, places: Places, chosen: Sequence[int]
) -> None:
    main = scene.facets[wall.main]
    for number, index in enumerate(chosen, start=1):
        if places.facet[index] not in wall.facets:
            continue
        facet = scene.facets[places.facet[index]]
        low, high = (_onto(facet, main, places.rect[index][k : k + 2]) for k in (0, 2))
        axes.add_patch(
            Rectangle(
                (float(low[0]), float(low[1])),
                *(high - low),
                facecolor="none",
                edgecolor=style.INK,
                linewidth=0.9,
                linestyle=(0, (1, 1.2)),
                zorder=5,
            )
        )
        middle = (low + high) / 2
        axes.text(
            float(middle[0]),
            float(middle[1]),
            str(number),
            fontsize=style.SMALL,
            ha="center",
            va="center",
            zorder=6,
            bbox={
                "boxstyle": "circle,pad=0.2",
                "facecolor": "white",
                "edgecolor": style.INK,
                "linewidth": 0.6,
            },
        )


def _draw_key(figure: Figure, shading: Shading, height: float) -> None:
    axes = figure.add_axes((0.0, 0.0, 1.0, KEY_IN / height))
    axes.set_axis_off()
    axes.set_xlim(0, SHEET_IN)
    axes.set_ylim(0, KEY_IN)
    count = shading.colours.N
    wide, bottom, tall = KEY_WIDE_IN / count, 0.26, 0.16
    middles = (shading.limits.boundaries[1:] + shading.limits.boundaries[:-1]) / 2
    swatches: list[tuple[float, float, object, str | None]] = [
        (
            MARGIN_IN + k * wide,
            wide,
            shading.colours(k),
            MORE_HATCH if middle > shading.more_above else None,
        )
        for k, middle in enumerate(middles)
    ]
    for (left, *_), text in zip(swatches, shading.labels, strict=True):
        axes.text(left + wide / 2, bottom - 0.04, text, fontsize=style.SMALL, ha="center", va="top")
    axes.text(MARGIN_IN, bottom + tall + 0.05, shading.title, fontsize=style.SMALL, va="bottom")
    left = MARGIN_IN + KEY_WIDE_IN + 0.6 * 0.46
    hatches = ((MORE_HATCH, "rises"), (UNKNOWN_HATCH, "not known"))
    for sign, words in hatches[0 if math.isfinite(shading.more_above) else 1 :]:
        swatches.append((left, 0.34, "white", sign))
        axes.text(left + 0.42, bottom + tall / 2, words, fontsize=style.SMALL, va="center")
        left += 0.95
    for start, width, colour, hatch in swatches:
        axes.add_patch(
            Rectangle(
                *((start, bottom), width, tall),
                facecolor=colour,
                edgecolor=style.QUIET,
                linewidth=0.0,
                hatch=hatch,
            )
        )
