"""Pictures and table of a search for places: the plan, and the aim by distances."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import ListedColormap, Normalize, to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle
from numpy.typing import NDArray

from raysim.place.layouts import Desk
from raysim.place.scores import Scored
from raysim.place.search import WORTH_MOVING_DB, Found
from raysim.report import lettering, marks, style, views
from raysim.scene.data import Scene

Array = NDArray[np.float64]

WIDTH_IN, TALLEST_IN = 4.4, 5.6
MARGIN_IN = 0.75
MAP_IN = (4.4, 3.9)
SHOWN_DB = 4.0
SHADES = 8
CELL_M = 0.1
LEAST_NAMED_M = 0.25
ROBUST: dict[str, Any] = {
    "facecolor": style.DOUBT,
    "edgecolor": style.QUIET,
    "hatch": "/////",
    "linewidth": 0.5,
}
COLUMNS = (
    "front,off_wall_m,base_m,seat_m,left_x_m,left_y_m,left_z_m,right_x_m,right_y_m,right_z_m,"
    "seat_x_m,seat_y_m,seat_z_m,bass_db,notch_db,early_db,sides_db,aim_db"
).split(",")


@dataclass(frozen=True)
class Other:
    """How a layout beside the best is drawn."""

    name: str
    shape: str
    dashes: tuple[float, ...]

    def marker(self) -> dict[str, Any]:
        """Keywords of a line of markers."""
        return {
            "marker": self.shape,
            "markersize": 4,
            "markerfacecolor": "white",
            "markeredgecolor": style.QUIET,
            "markeredgewidth": 0.8,
        }


BEST = Other("best", "^", ())
OTHERS = (
    Other("now", "o", (3.0, 1.5)),
    Other("runner-up", "D", (6.0, 1.5, 1.0, 1.5)),
    Other("common practice", "s", (1.0, 1.5)),
)


def pictures(scene: Scene, found: Found, desk: Desk | None) -> dict[str, bytes]:
    """Files by name: plan and map as PNG and SVG.

    Parameters
    ----------
    scene : Scene
        As it is now; only its room and things are drawn.
    """
    files = {}
    with style.drawing():
        for name, figure in (
            ("plan", draw_places(scene, found, desk)),
            ("map", draw_map(found)),
        ):
            files[f"{name}.svg"] = style.svg(figure)
            files[f"{name}.png"] = style.png(figure)
    return files


def table_csv(found: Found) -> bytes:
    """All layouts tried, the best first; lengths in m, terms in dB."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(COLUMNS)
    for one in sorted([found.best, *found.tried], key=lambda one: one.aim_db):
        layout, terms = one.layout, one.terms
        places = [f"{v:.3f}" for p in (layout.left, layout.right, layout.seat) for v in p]
        numbers = (terms.bass_db, terms.notch_db, terms.early_db, terms.sides_db, one.aim_db)
        lengths = (layout.off_wall_m, layout.base_m, layout.seat_m)
        rows.writerow(
            [layout.front.name, *(f"{v:.3f}" for v in lengths), *places]
            + [f"{v:.2f}" for v in numbers]
        )
    return text.getvalue().encode("utf-8")


def draw_places(scene: Scene, found: Found, desk: Desk | None) -> Figure:
    """Plan with the best layout, others as outlines, and where the best may be moved to."""
    best = found.best.layout
    view = views.View(across=best.front.right, upward=best.front.ahead)
    cut = views.cut(scene, view, best.seat)
    air = cut.air or shapely.MultiPoint(view.flat(scene.mesh.vertices)).convex_hull
    low_x, low_y, high_x, high_y = air.bounds
    scale = max(
        (high_x - low_x) / (WIDTH_IN - 2 * MARGIN_IN), (high_y - low_y) / (TALLEST_IN - 1.6)
    )
    figure, axes = style.sheet(WIDTH_IN, (high_y - low_y) / scale + 2.1)
    middle = (low_x + high_x) / 2
    axes.set_xlim(middle - WIDTH_IN / 2 * scale, middle + WIDTH_IN / 2 * scale)
    axes.set_ylim(low_y - 1.35 * scale, high_y + 0.75 * scale)
    solid = air.buffer(marks.MASONRY_M, join_style="mitre").difference(air)
    marks.shape(axes, solid, style.MASONRY, "none", 0.0, 1.0)
    marks.shape(axes, air, "white", style.INK, 1.6, 1.2)
    lettering.names_of_surfaces(scene, axes, cut, scale, marks.Pins(axes, 0.08 * scale))
    for owner in views.objects(scene):
        if desk is None or owner != desk.name:
            area = views.footprint(scene, owner, view)
            marks.shape(axes, area, style.FURNITURE, style.QUIET, 0.7, 1.5)
            sides = np.ptp(np.array(area.bounds).reshape(2, 2), axis=0)
            if sides.min() > LEAST_NAMED_M:
                marks.name(axes, np.array(area.centroid.coords[0]), style.short(owner, 14))
    if desk is not None:
        marks.shape(
            axes,
            shapely.Polygon(_flat(view, best.desk_corners(desk))),
            style.WASH,
            style.QUIET,
            0.7,
            1.6,
        )
    _robust(axes, view, found)
    _others(axes, view, found)
    _best(axes, scene, view, found.best, scale)
    gap = 0.085 * scale
    seat, left, right = (view.flat(p) for p in (best.seat, best.left, best.right))
    marks.dimensions(axes, [low_x, left[0], right[0], high_x], high_y + 0.32 * scale, "x", gap)
    wall = float(best.front.middle @ view.upward)
    marks.dimensions(axes, [wall, left[1], seat[1], low_y], high_x + 0.32 * scale, "y", gap)
    _legend(axes, low_x, low_y, scale, found)
    return figure


def _flat(view: views.View, corners: Array) -> Array:
    return view.flat(np.column_stack([corners, np.zeros(len(corners))]))


def _robust(axes: Axes, view: views.View, found: Found) -> None:
    """Hatched: places of heads and loudspeakers of layouts that are as good."""
    layouts = [one.layout for one in found.robust]
    places = [view.flat(p) for one in layouts for p in (one.left, one.right, one.seat)]
    area = shapely.unary_union([_cell(place) for place in places])
    for part in getattr(area, "geoms", [area]):
        if not part.is_empty:
            corners = np.array(part.exterior.coords)
            axes.add_patch(Polygon(corners, **ROBUST, zorder=1.8))


def _cell(middle: Array) -> shapely.Polygon:
    low, high = np.round(middle - CELL_M / 2, 4), np.round(middle + CELL_M / 2, 4)
    return shapely.box(*low, *high)


def _shown(found: Found) -> list[tuple[Scored, Other]]:
    """Layouts beside the best and how each is drawn."""
    named = {"now": found.current, "runner-up": found.runner_up, "common practice": found.common}
    return [
        (scored, other)
        for other in OTHERS
        if (scored := named[other.name]) is not None and scored is not found.best
    ]


def _others(axes: Axes, view: views.View, found: Found) -> None:
    for scored, other in _shown(found):
        layout = scored.layout
        points = np.array([view.flat(p) for p in (layout.left, layout.seat, layout.right)])
        axes.add_patch(
            Polygon(
                points,
                closed=True,
                facecolor="none",
                edgecolor=style.QUIET,
                linewidth=0.8,
                linestyle=(0, other.dashes),
                zorder=4,
            )
        )
        axes.plot(points[:, 0], points[:, 1], linestyle="none", zorder=5, **other.marker())


def _best(axes: Axes, scene: Scene, view: views.View, best: Scored, scale: float) -> None:
    layout = best.layout
    seat = view.flat(layout.seat)
    for place, index in ((layout.left, 0), (layout.right, 1)):
        at = view.flat(place)
        marks.polyline(axes, np.array([at, seat]), style.QUIET, (1, 2.5), 0.7)
        marks.source(axes, at, seat - at, "", style.look(index).colour, 0.085 * scale)
    zone = np.abs(view.flat(np.diag(scene.receivers[0].zone))).sum(axis=0)
    marks.head(axes, seat, np.array([0.0, 1.0]), zone, 0.075 * scale)


def _legend(axes: Axes, x: float, y: float, scale: float, found: Found) -> None:
    best = "the present layout" if found.best is found.current else "best layout found"
    lines: list[tuple[Other | None, str]] = [
        (None, f"as good within {WORTH_MOVING_DB:g} dB or the error: heads, loudspeakers"),
        *((other, other.name) for _, other in _shown(found)),
    ]
    axes.text(
        x, y - 0.42 * scale, f"In colour and dimensioned: {best}", fontsize=style.SMALL, va="center"
    )
    for n, (other, words) in enumerate(lines):
        at = y - (0.6 + 0.17 * n) * scale
        wide, tall = 0.22 * scale, 0.11 * scale
        if other is None:
            axes.add_patch(Rectangle((x, at - tall / 2), wide, tall, **ROBUST))
        else:
            ends = [x, x + wide]
            axes.plot(ends, [at, at], color=style.QUIET, lw=0.8, ls=(0, other.dashes))
            axes.plot([x + wide / 2], [at], **other.marker())
        axes.text(x + 1.3 * wide, at, words, fontsize=style.SMALL, va="center", ha="left")


def draw_map(found: Found) -> Figure:
    """The aim over the distances of loudspeakers and head from the best front wall.

    Each square has the best distance between the loudspeakers; the darker the better. The
    robust zone has an outline.
    """
    here = found.best.layout.front.name
    best: dict[tuple[float, float], float] = {}
    for one in found.tried:
        if one.layout.front.name == here:
            key = _distances(one)
            best[key] = min(best.get(key, np.inf), one.aim_db)
    lowest = min([*best.values(), found.best.aim_db])
    figure = style.blank(*MAP_IN)
    axes = figure.add_subplot()
    colours = _shades()
    for distances, aim in best.items():
        shade = min(int((aim - lowest) / SHOWN_DB * SHADES), SHADES - 1)
        corner = distances[0] - CELL_M / 2, distances[1] - CELL_M / 2
        axes.add_patch(
            Rectangle(corner, CELL_M, CELL_M, fc=colours(shade), ec="white", lw=0.4, zorder=2)
        )
    _outline(axes, found)
    shown = [(found.best, BEST), *_shown(found)]
    marked = {
        other: (scored.layout.off_wall_m, scored.layout.seat_m)
        for scored, other in shown
        if scored.layout.front.name == here
    }
    keys = np.array([*best, *marked.values()])
    axes.set_xlim(keys[:, 0].min() - 0.15, keys[:, 0].max() + 0.15)
    axes.set_ylim(keys[:, 1].min() - 0.15, keys[:, 1].max() + 0.15)
    for other, at in marked.items():
        look = {**other.marker(), "markersize": 5.5, "markeredgecolor": style.INK}
        axes.plot(*at, linestyle="none", zorder=5, label=other.name, **look)
    axes.set_xlabel("loudspeakers from the front wall, m")
    axes.set_ylabel("head from the front wall, m")
    axes.set_title(f"Aim before '{style.short(here)}'")
    scalar = ScalarMappable(Normalize(0, SHOWN_DB), colours)
    bar = figure.colorbar(scalar, ax=axes, shrink=0.8, extend="max")
    bar.set_ticks(list(np.linspace(0, SHOWN_DB, 5)))
    bar.set_label("dB above the best")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower left", ncols=4)
    return figure


def _distances(one: Scored) -> tuple[float, float]:
    return round(float(one.layout.off_wall_m), 2), round(float(one.layout.seat_m), 2)


def _shades() -> ListedColormap:
    hue = np.array(to_rgb(style.LESS))
    shares = np.linspace(1.0, 0.05, SHADES)
    return ListedColormap([np.ones(3) + share * (hue - 1) for share in shares])


def _outline(axes: Axes, found: Found) -> None:
    """Of the robust zone: dark in a light halo, to be seen on any shade."""
    cells = [_cell(np.array(_distances(one))) for one in found.robust]
    area = shapely.unary_union(cells)
    label = "robust zone"
    for part in getattr(area, "geoms", [area]):
        if not part.is_empty:
            x, y = part.exterior.xy
            axes.plot(x, y, color="white", lw=4.0, zorder=3, solid_joinstyle="miter")
            axes.plot(x, y, color=style.INK, lw=1.6, zorder=4, label=label)
            label = "_"
