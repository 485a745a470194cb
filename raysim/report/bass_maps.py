"""The plan at the frequency of a mode, and walks along and across the room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap, to_rgb
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from numpy.typing import NDArray

from raysim.quantities.bass_levels import level_db
from raysim.quantities.bass_modes import Mode
from raysim.quantities.bass_plan import Plan, bass_plan
from raysim.report import marks, style, views
from raysim.results.data import PLAN_STEP_M, Result
from raysim.scene.data import Scene
from raysim.theory.nulls import QUIET

Array = NDArray[np.float64]

MOST_MAPS = 4
LEVELS_DB = (-18.0, -13.0, -8.0, -3.0, 2.0, 7.0)
FINER = 5  # cells of the drawing in one of the plan
WALK_SPAN_DB = (-30.0, 15.0)
WIDE_IN = 7.4
COLUMNS = 2


@dataclass(frozen=True)
class Shown:
    """The plan at a frequency, and which mode it is at, in words or empty."""

    plan: Plan
    kind: str


def maps_at_modes(result: Result, modes: Sequence[Mode]) -> list[Shown]:
    """The lowest modes that all sources together drive, up to four, each at another frequency."""
    found: list[Shown] = []
    for mode in modes:
        if abs(mode.at_sources.sum()) < QUIET:
            continue
        plan = bass_plan(result, mode.frequency_hz)
        if all(other.plan.frequency_hz != plan.frequency_hz for other in found):
            found.append(Shown(plan, mode.kind))
        if len(found) == MOST_MAPS:
            break
    return found


def maps_at(result: Result, tones_hz: Sequence[float]) -> list[Shown]:
    """At frequencies that were asked for."""
    return [Shown(bass_plan(result, tone), "as asked") for tone in tones_hz]


def draw_maps(result: Result, shown: Sequence[Shown]) -> Figure:
    """The plan at each mode's frequency, all on one scale of level."""
    scene = result.scene_in(0)
    view = views.plan_view(scene)
    cut = views.cut(scene, view, scene.receivers[0].position)
    rows = -(-len(shown) // COLUMNS)
    corners = view.flat(scene.mesh.vertices)
    wide, tall = np.ptp(corners, axis=0)
    panel_in = WIDE_IN / COLUMNS
    figure = style.blank(WIDE_IN, rows * (panel_in * min(tall / wide, 1.45) * 0.86 + 0.4) + 0.3)
    colours, norm = _colours()
    mapped: QuadContourSet | None = None
    axes_of = [figure.add_subplot(rows, COLUMNS, n + 1) for n in range(len(shown))]
    for axes, one in zip(axes_of, shown, strict=True):
        axes.set_aspect("equal")
        axes.set_axis_off()
        mapped = _map(axes, scene, view, cut, one.plan)
        mapped.set(cmap=colours, norm=norm)
        kind = f", {one.kind}" if one.kind else ""
        axes.set_title(f"{one.plan.frequency_hz:.0f} Hz{kind}", fontsize=style.TEXT)
    if mapped is not None:
        bar = figure.colorbar(
            mapped, ax=axes_of, location="bottom", aspect=45, shrink=0.7, extend="both"
        )
        bar.set_label("level re the mean over the plan, dB", fontsize=style.SMALL)
        bar.ax.tick_params(labelsize=style.SMALL)
        bar.outline.set_visible(False)
    return figure


def draw_walks(shown: Sequence[Shown]) -> Figure:
    """Level along lines through the first receiver, to the front and to the side."""
    figure = style.blank(WIDE_IN, 2.9)
    cells = shown[0].plan.cells
    for number, (title, across, ends) in enumerate(
        (
            ("Walk along the room", 0, ("rear", "front")),
            ("Walk across the room", 1, ("left", "right")),
        )
    ):
        axes = figure.add_subplot(1, 2, number + 1)
        line = np.flatnonzero(cells[:, across] == 0)
        line = line[np.argsort(cells[line, 1 - across])]
        place = cells[line, 1 - across] * PLAN_STEP_M
        for k, one in enumerate(shown):
            look = style.look(k)
            axes.plot(
                place,
                level_db(np.abs(one.plan.pressure[line]) ** 2),
                color=look.colour,
                linestyle="solid" if look.dashes is None else (0, look.dashes),
                marker=look.marker,
                markersize=2.6,
                linewidth=1.1,
                label=f"{one.plan.frequency_hz:.0f} Hz",
            )
        axes.axvline(0, color=style.QUIET, linewidth=0.7, dashes=(2, 2))
        axes.set_ylim(*WALK_SPAN_DB)
        axes.set_title(title)
        axes.set_xlabel(f"metres from the seat: {ends[0]} to {ends[1]}")
        if number == 0:
            axes.set_ylabel("level re the mean over the plan, dB")
            axes.legend(loc="upper left", bbox_to_anchor=(-0.02, -0.2), ncols=4)
    return figure


def _colours() -> tuple[ListedColormap, BoundaryNorm]:
    """Quiet is white, loud is dark: as good in greyscale."""
    white, dark = np.ones(3), np.array(to_rgb(style.LESS))
    shares = np.linspace(0.0, 1.0, len(LEVELS_DB) + 1)
    colours = ListedColormap([white + share * (dark - white) for share in shares])
    return colours, BoundaryNorm(LEVELS_DB, colours.N, extend="both")


def _map(axes: Axes, scene: Scene, view: views.View, cut: views.Cut, plan: Plan) -> QuadContourSet:
    seat = view.flat(plan.seat)
    right, front, levels = plan.finer(FINER)
    filled = axes.contourf(
        seat[0] + PLAN_STEP_M * right,
        seat[1] + PLAN_STEP_M * front,
        levels.T,
        LEVELS_DB,
        extend="both",
    )
    if cut.air is not None:
        filled.set_clip_path(_patch(cut.air, axes))
        marks.shape(axes, cut.air, "none", style.INK, 1.5, 3.0)
    for owner in views.objects(scene):
        low_z, high_z = views.height_range(scene, owner)
        if low_z < scene.receivers[0].position[2] < high_z:
            marks.shape(
                axes, views.footprint(scene, owner, view), style.FURNITURE, style.QUIET, 0.7, 2
            )
    for number, source in enumerate(scene.sources):
        look = style.look(number)
        place = view.flat(source.position)
        axes.plot(
            *place, look.marker, color=look.colour, markersize=5, markeredgecolor="white", zorder=5
        )
    axes.plot(*seat, "o", color="white", markeredgecolor=style.INK, markersize=6, zorder=5)
    return filled


def _patch(area: shapely.Polygon, axes: Axes) -> PathPatch:
    ends = shapely.get_coordinates(area.exterior)
    patch = PathPatch(Path(ends, closed=True), facecolor="none", edgecolor="none")
    axes.add_patch(patch)
    return patch
