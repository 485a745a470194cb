"""Pictures and table of a search for places: the plan, and the aim by distances."""

from __future__ import annotations

import csv
import io

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
from raysim.place.search import Found
from raysim.report import marks, style, views
from raysim.scene.data import Scene

Array = NDArray[np.float64]

WIDTH_IN, TALLEST_IN = 4.4, 5.6
MARGIN_IN = 0.75
MASONRY_M = 0.09
MAP_IN = (4.4, 3.9)
SHOWN_DB = 4.0
SHADES = 8
CELL_M = 0.1
LEAST_NAMED_M = 0.25
COLUMNS = (
    "front,off_wall_m,base_m,seat_m,left_x_m,left_y_m,left_z_m,right_x_m,right_y_m,right_z_m,"
    "seat_x_m,seat_y_m,seat_z_m,bass_db,notch_db,early_db,sides_db,aim_db"
).split(",")


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
    """Plan with the best layout, the present one and common practice, and the robust seats."""
    best = found.best.layout
    view = views.View(across=best.front.right, upward=best.front.ahead)
    cut = views.cut(scene, view, best.seat)
    air = cut.air or shapely.MultiPoint(view.flat(scene.mesh.vertices)).convex_hull
    low_x, low_y, high_x, high_y = air.bounds
    scale = max(
        (high_x - low_x) / (WIDTH_IN - 2 * MARGIN_IN), (high_y - low_y) / (TALLEST_IN - 1.6)
    )
    figure, axes = style.sheet(WIDTH_IN, (high_y - low_y) / scale + 1.75)
    middle = (low_x + high_x) / 2
    axes.set_xlim(middle - WIDTH_IN / 2 * scale, middle + WIDTH_IN / 2 * scale)
    axes.set_ylim(low_y - 1.0 * scale, high_y + 0.75 * scale)
    solid = air.buffer(MASONRY_M, join_style="mitre").difference(air)
    marks.shape(axes, solid, style.MASONRY, "none", 0.0, 1.0)
    marks.shape(axes, air, "white", style.INK, 1.6, 1.2)
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
    _robust_seats(axes, view, found)
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


def _robust_seats(axes: Axes, view: views.View, found: Found) -> None:
    places = (
        np.unique([view.flat(one.layout.seat) for one in found.robust], axis=0)
        if len(found.robust)
        else np.zeros((0, 2))
    )
    for x, y in places:
        axes.add_patch(
            Rectangle(
                (x - CELL_M, y - CELL_M / 2),
                2 * CELL_M,
                CELL_M,
                facecolor=style.DOUBT,
                edgecolor="none",
                zorder=1.8,
            )
        )


def _others(axes: Axes, view: views.View, found: Found) -> None:
    """The present layout and common practice, as outlines."""
    for scored, marker, dashes in (
        (found.current, "o", (3.0, 1.5)),
        (found.common, "s", (1.0, 1.5)),
    ):
        if scored is None or scored is found.best:
            continue
        points = np.array(
            [view.flat(p) for p in (scored.layout.left, scored.layout.seat, scored.layout.right)]
        )
        axes.add_patch(
            Polygon(
                points,
                closed=True,
                facecolor="none",
                edgecolor=style.QUIET,
                linewidth=0.8,
                linestyle=(0, dashes),
                zorder=4,
            )
        )
        axes.plot(
            points[:, 0],
            points[:, 1],
            linestyle="none",
            marker=marker,
            markersize=4,
            markerfacecolor="white",
            markeredgecolor=style.QUIET,
            markeredgewidth=0.8,
            zorder=5,
        )


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
    keeps = found.best is found.current
    lines = [
        ("▲", f"drawn and dimensioned: {'the present layout' if keeps else 'best layout found'}"),
        ("▒", "seats as good, within 0.5 dB or the error"),
        ("○", "now"),
        ("□", "common practice"),
    ]
    for n, (sign, words) in enumerate(lines):
        at = y - (0.3 + 0.17 * n) * scale
        axes.text(x, at, sign, fontsize=style.SMALL, va="center", ha="left")
        axes.text(x + 0.18 * scale, at, words, fontsize=style.SMALL, va="center", ha="left")


def draw_map(found: Found) -> Figure:
    """The aim over the distances of loudspeakers and head from the best front wall.

    Each square has the best distance between the loudspeakers; the darker the better. Squares
    of the robust zone have an outline.
    """
    here = found.best.layout.front.name
    best: dict[tuple[float, float], float] = {}
    for one in found.tried:
        if one.layout.front.name == here:
            key = round(one.layout.off_wall_m, 2), round(one.layout.seat_m, 2)
            best[key] = min(best.get(key, np.inf), one.aim_db)
    lowest = min([*best.values(), found.best.aim_db])
    robust = {
        (round(one.layout.off_wall_m, 2), round(one.layout.seat_m, 2)) for one in found.robust
    }
    figure = style.blank(*MAP_IN)
    axes = figure.add_subplot()
    shares = np.linspace(1.0, 0.05, SHADES)
    hue = np.array(to_rgb(style.LESS))
    colours = ListedColormap([np.ones(3) + share * (hue - 1) for share in shares])
    for (off, seat), aim in best.items():
        shade = min(int((aim - lowest) / SHOWN_DB * SHADES), SHADES - 1)
        outlined = (off, seat) in robust
        axes.add_patch(
            Rectangle(
                (off - CELL_M / 2, seat - CELL_M / 2),
                CELL_M,
                CELL_M,
                facecolor=colours(shade),
                edgecolor=style.ALERT if outlined else "white",
                linewidth=1.4 if outlined else 0.4,
                zorder=3 if outlined else 2,
            )
        )
    keys = np.array(list(best)) if best else np.zeros((1, 2))
    axes.set_xlim(keys[:, 0].min() - 0.15, keys[:, 0].max() + 0.15)
    axes.set_ylim(keys[:, 1].min() - 0.15, keys[:, 1].max() + 0.15)
    for scored, marker, words in (
        (found.best, "^", "best"),
        (found.current, "o", "now"),
        (found.common, "s", "common practice"),
    ):
        if scored is not None and scored.layout.front.name == here:
            axes.plot(
                scored.layout.off_wall_m,
                scored.layout.seat_m,
                marker=marker,
                markersize=5.5,
                linestyle="none",
                markerfacecolor="white",
                markeredgecolor=style.INK,
                zorder=5,
                label=words,
            )
    axes.set_xlabel("loudspeakers from the front wall, m")
    axes.set_ylabel("head from the front wall, m")
    axes.set_title(f"Aim before '{style.short(here)}', dB above the best")
    scalar = ScalarMappable(Normalize(0, SHOWN_DB), colours)
    bar = figure.colorbar(scalar, ax=axes, shrink=0.8)
    bar.set_ticks(list(np.linspace(0, SHOWN_DB, 5)))
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower left", ncols=3)
    return figure
