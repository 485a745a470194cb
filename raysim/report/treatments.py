"""Treatments of a variant on unfolded walls and in plan, dimensioned to be hung."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from raysim.report import digits, marks, style, views
from raysim.report.drawings import draw_plan
from raysim.report.elevations import bounds, is_upright, open_sheet
from raysim.scene.data import Scene, Treatment, Variant
from raysim.scene.shopping import is_overhead
from raysim.scene.variants import scene_of

Array = NDArray[np.float64]

FILL, HATCH = "#e4edf0", "////"
ROW_IN = 0.24
FIRST_ROW_IN = 0.27
WIDER_IN, TALLER_IN = 0.5, 0.5
LETTER_IN = 0.075


@dataclass(frozen=True)
class Hung:
    """What one rectangle of a drawing stands for: a piece, or all tiles of a grid."""

    label: str
    rect: tuple[float, float, float, float]
    pieces: tuple[Treatment, ...]


def treated_facets(scene: Scene, variant: Variant) -> list[int]:
    """Facets that a variant covers a part of, in the order of the scene."""
    return sorted({t.facet for t in _pieces(scene, variant) if not t.is_object})


def draw_treated_surface(scene: Scene, variant: Variant, index: int) -> Figure:
    """One facet with what a variant hangs on it, seen from inside.

    Each piece, or grid of tiles, has its distance from the nearer upright edge and its width
    below the drawing, its height from the lower edge and its own beside it, in cm. On floors and
    ceilings both are from the nearer edges.
    """
    facet = scene.facets[index]
    axes, scale = open_sheet(scene, facet)
    _make_room(axes, scale)
    hung = _hung([t for t in _pieces(scene, variant) if t.facet == index])
    for item in hung:
        for piece in item.pieces:
            _rectangle(axes, piece.rect, piece.owned)
        middle = np.array([item.rect[0] + item.rect[2], item.rect[1] + item.rect[3]]) / 2
        wide, tall = item.rect[2] - item.rect[0], item.rect[3] - item.rect[1]
        too_wide = LETTER_IN * scale * len(style.short(item.label)) > wide
        marks.name(axes, middle, item.label, 90.0 if too_wide and tall > wide else 0.0)
    low, high = bounds(facet)
    across = [_chain(i.rect[0], i.rect[2], float(low[0]), float(high[0])) for i in hung]
    floor = float(high[1]) if not is_upright(facet) else np.inf
    up = [_chain(i.rect[1], i.rect[3], float(low[1]), floor) for i in hung]
    _chains(axes, across, float(low[1]), "x", -1, scale)
    _chains(axes, up, float(high[0]), "y", 1, scale)
    return cast(Figure, axes.figure)


def draw_treated_plan(scene: Scene, variant: Variant, receiver: int = 0) -> Figure:
    """Plan of a variant's room with the depth of all that hangs on walls and ceiling.

    What is overhead has a dashed outline. Objects are drawn as furniture is.
    """
    figure = draw_plan(scene_of(scene, variant), (), receiver)
    axes, view = figure.axes[0], views.plan_view(scene)
    for item in _hung([t for t in _pieces(scene, variant) if not t.is_object]):
        for piece in item.pieces:
            area = shapely.MultiPoint(view.flat(piece.corners)).convex_hull
            overhead = is_overhead(scene, piece)
            dashes = "dashed" if overhead else "solid"
            fill = "none" if overhead else FILL
            marks.shape(axes, area, fill, style.INK, 0.9, 3.5, dashes)
    _name_in_plan(scene, axes, view, [t for t in _pieces(scene, variant) if not t.is_object])
    return figure


def _pieces(scene: Scene, variant: Variant) -> list[Treatment]:
    return [scene.treatments[k] for k in variant.treatments]


def _hung(pieces: Sequence[Treatment]) -> list[Hung]:
    """Tiles of one section together, other pieces each."""
    hung = [Hung(t.name, t.rect, (t,)) for t in pieces if t.kind != "tiles"]
    grids: dict[tuple[str, int], list[Treatment]] = {}
    for tile in (t for t in pieces if t.kind == "tiles"):
        grids.setdefault((tile.section, tile.facet), []).append(tile)
    for (section, _), tiles in grids.items():
        rects = np.array([tile.rect for tile in tiles])
        low, high = rects[:, :2].min(axis=0), rects[:, 2:].max(axis=0)
        rect = float(low[0]), float(low[1]), float(high[0]), float(high[1])
        hung.append(Hung(f"{section}: {len(tiles)}", rect, tuple(tiles)))
    return hung


def _make_room(axes: Axes, scale: float) -> None:
    """Widen the sheet for dimension lines below and at the right."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    figure = cast(Figure, axes.figure)
    width, height = figure.get_size_inches()
    figure.set_size_inches(width + WIDER_IN, height + TALLER_IN)
    axes.set_xlim(left, right + WIDER_IN * scale)
    axes.set_ylim(low - TALLER_IN * scale, high)


def _rectangle(axes: Axes, rect: tuple[float, float, float, float], owned: bool) -> None:
    u0, v0, u1, v1 = rect
    axes.add_patch(
        Rectangle(
            (u0, v0),
            u1 - u0,
            v1 - v0,
            facecolor=FILL,
            edgecolor=style.INK,
            linewidth=1.1,
            linestyle="dashed" if owned else "solid",
            zorder=3,
        )
    )
    axes.add_patch(
        Rectangle(
            (u0, v0),
            u1 - u0,
            v1 - v0,
            facecolor="none",
            edgecolor=style.HAIRLINE,
            hatch=HATCH,
            linewidth=0.0,
            zorder=3,
        )
    )


def _chain(low: float, high: float, start: float, end: float) -> list[float]:
    """Stops of a dimension line: the nearer end, then both edges."""
    return sorted([start if low - start <= end - high else end, low, high])


def _chains(
    axes: Axes, chains: Sequence[list[float]], at: float, along: str, side: int, scale: float
) -> None:
    """Dimension lines in rows; those that would lie over each other go to the next row."""
    rows: list[list[tuple[float, float]]] = []
    drawn: list[list[float]] = []
    for chain in sorted(chains, key=lambda stops: stops[-1] - stops[0]):
        if any(np.allclose(chain, other, atol=0.005) for other in drawn):
            continue
        drawn.append(chain)
        first, last = chain[0], chain[-1]
        for row in rows:
            if all(last <= a + 1e-6 or first >= b - 1e-6 for a, b in row):
                break
        else:
            row = []
            rows.append(row)
        row.append((first, last))
        place = at + side * (FIRST_ROW_IN + ROW_IN * rows.index(row)) * scale
        marks.dimensions(
            axes,
            chain,
            place,
            along,
            0.1 * scale,
            side,
            tick_m=0.04 * scale,
            written=digits.centimetres,
        )


def _name_in_plan(scene: Scene, axes: Axes, view: views.View, pieces: Sequence[Treatment]) -> None:
    """Write each section's name once for every facet that it covers, on the room's side."""
    seen: dict[tuple[str, int], list[Treatment]] = {}
    for piece in pieces:
        seen.setdefault((piece.section, piece.facet), []).append(piece)
    for (section, facet), members in seen.items():
        area = shapely.union_all(
            [shapely.MultiPoint(view.flat(t.corners)).convex_hull for t in members]
        )
        inward = view.flat(scene.facets[facet].normal)
        middle = shapely.get_coordinates(area.centroid)[0]
        upright = is_upright(scene.facets[facet])
        sideways = upright and abs(inward[0]) > abs(inward[1])
        reach = 0.18 if upright else 0.0
        marks.name(axes, middle + reach * inward, section, 90.0 if sideways else 0.0)
