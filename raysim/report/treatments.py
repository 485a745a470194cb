"""Treatments of a variant in plan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from raysim.report import marks, style, views
from raysim.report.drawings import draw_plan
from raysim.report.elevations import is_upright
from raysim.scene.data import Scene, Treatment, Variant
from raysim.scene.shopping import is_overhead
from raysim.scene.variants import scene_of

Array = NDArray[np.float64]

FILL = "#e4edf0"


def draw_treated_plan(scene: Scene, variant: Variant, receiver: int = 0) -> Figure:
    """Plan of a variant's room with the depth of all that hangs on walls and ceiling.

    What is overhead has a dashed outline. Objects are drawn as furniture is.
    """
    figure = draw_plan(scene_of(scene, variant), (), receiver)
    axes, view = figure.axes[0], views.plan_view(scene)
    flat = [t for t in _pieces(scene, variant) if not t.is_object]
    for piece in flat:
        area = shapely.MultiPoint(view.flat(piece.corners)).convex_hull
        overhead = is_overhead(scene, piece)
        dashes = "dashed" if overhead else "solid"
        fill = "none" if overhead else FILL
        marks.shape(axes, area, fill, style.INK, 0.9, 3.5, dashes)
    _name_in_plan(scene, axes, view, flat)
    return figure


def _pieces(scene: Scene, variant: Variant) -> list[Treatment]:
    return [scene.treatments[k] for k in variant.treatments]


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
