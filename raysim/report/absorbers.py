"""Constructions side by side: each in section to one scale, and what it absorbs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle
from matplotlib.ticker import NullLocator

from raysim.report import style
from raysim.surfaces.assessment import Assessment
from raysim.surfaces.layers import Fabric, Gap, Layer, Mass, Perforated, Porous, Slotted
from raysim.surfaces.sentences import RANGES

MOST = 4
WIDTH_IN, CURVES_HEIGHT_IN, SECTION_HEIGHT_IN, FRAME_IN = 7.0, 3.3, 0.95, 0.15
WALL_SHARE, SHEET_SHARE = 0.09, 0.012
SHOWN_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)


def picture_of(assessments: Sequence[Assessment]) -> bytes:
    """PNG of the absorption over third-octaves, with a section of each of up to four constructions.

    Lines are what a surface without edges absorbs of sound from all sides, tints the range.
    """
    with style.drawing():
        count = len(assessments)
        height = CURVES_HEIGHT_IN + count * SECTION_HEIGHT_IN + FRAME_IN
        figure = style.blank(WIDTH_IN, height)
        grid = figure.add_gridspec(
            count + 1, 1, height_ratios=[CURVES_HEIGHT_IN] + [SECTION_HEIGHT_IN] * count
        )
        _curves(figure.add_subplot(grid[0]), assessments)
        deepest = max(0.02, *(one.construction.depth for one in assessments))
        for index, one in enumerate(assessments):
            _section(figure.add_subplot(grid[index + 1]), one, index, deepest)
        return style.png(figure)


def _curves(axes: Axes, assessments: Sequence[Assessment]) -> None:
    for index, one in enumerate(assessments):
        look, bands = style.look(index), one.thirds
        axes.fill_between(
            bands.bands_hz, bands.low, bands.high, color=look.colour, alpha=0.16, linewidth=0
        )
        axes.plot(
            bands.bands_hz,
            bands.random,
            color=look.colour,
            linestyle="solid" if look.dashes is None else (0, look.dashes),
            marker=look.marker,
            markersize=3.5,
            label=str(index + 1),
        )
    axes.set_xscale("log")
    axes.set_xlim(46, 10900)
    axes.set_ylim(0, 1.1)
    axes.set_xticks(SHOWN_HZ, [f"{f / 1000:g}k" if f >= 1000 else f"{f:g}" for f in SHOWN_HZ])
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_yticks(np.linspace(0, 1, 6))
    for number, (name, bands_hz, _) in enumerate(RANGES):
        low, high = bands_hz[0] / np.sqrt(2), bands_hz[-1] * np.sqrt(2)
        if number % 2 == 0:
            axes.axvspan(low, high, color=style.WASH, linewidth=0, zorder=0)
        axes.text(
            np.sqrt(low * high), 1.04, name, color=style.QUIET, fontsize=style.SMALL, ha="center"
        )
    axes.set_title("Absorption of sound from all sides; tint: range")
    axes.set_xlabel("third-octave band, Hz")
    axes.set_ylabel("absorption coefficient")
    if len(assessments) > 1:
        axes.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=len(assessments), borderaxespad=0.0
        )


def _section(axes: Axes, one: Assessment, index: int, deepest: float) -> None:
    """Section through a construction, sound from the left, all of a picture to one scale."""
    axes.set_axis_off()
    axes.set_xlim(-0.12 * deepest, deepest * (1.02 + WALL_SHARE))
    axes.set_ylim(-0.42, 1.0)
    colour = style.look(index).colour
    axes.annotate(
        "",
        (-0.01 * deepest, 0.5),
        (-0.1 * deepest, 0.5),
        arrowprops={"arrowstyle": "-|>", "color": colour, "linewidth": 1.2},
    )
    place = 0.0
    for layer in one.construction.layers:
        place = _layer(axes, layer, place, deepest)
    if one.construction.backing == "rigid":
        wall = Rectangle(
            (place, 0), WALL_SHARE * deepest, 1, facecolor=style.MASONRY, edgecolor=style.INK
        )
        wall.set_hatch("////")
        axes.add_patch(wall)
    axes.annotate(
        "",
        (place, -0.1),
        (0, -0.1),
        arrowprops={
            "arrowstyle": "<->",
            "color": style.QUIET,
            "linewidth": 0.7,
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )
    axes.text(
        0,
        -0.4,
        style.short(f"{index + 1}  {one.name}: {1e3 * one.construction.depth:.4g} mm", 110),
        fontsize=style.SMALL,
        color=style.INK,
    )


def _layer(axes: Axes, layer: Layer, place: float, deepest: float) -> float:
    """Draw one layer from `place` on; returns where it ends, m."""
    thickness = getattr(layer, "thickness", 0.0)
    if isinstance(layer, Porous):
        box = Rectangle(
            (place, 0), thickness, 1, facecolor=style.FURNITURE, edgecolor=style.INK, linewidth=0.7
        )
        axes.add_patch(box)
        box.set_hatch("..." if layer.resistivity < 15000 else ".....")
    if isinstance(layer, Porous | Gap) and layer.partitioned:
        for height in (0.25, 0.5, 0.75):
            axes.plot([place, place + thickness], [height] * 2, color=style.INK, linewidth=0.7)
    width = max(thickness, (0.4 if _is_film(layer) else 1.0) * SHEET_SHARE * deepest)
    if isinstance(layer, Perforated | Slotted):
        for height in np.arange(8) / 8:
            axes.add_patch(Rectangle((place, height), width, 0.085, facecolor=style.INK, zorder=3))
    elif isinstance(layer, Mass):
        axes.add_patch(Rectangle((place, 0), width, 1, facecolor=style.INK, zorder=3))
    elif isinstance(layer, Fabric):
        axes.plot(
            [place, place], [0, 1], color=style.INK, linewidth=1.6, dashes=(1.2, 1.0), zorder=3
        )
    return place + thickness


def _is_film(layer: Layer) -> bool:
    return isinstance(layer, Mass) and layer.kind == "film"
