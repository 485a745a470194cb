"""A picture of effects: a dot and its interval for every comparison with a control."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from matplotlib.lines import Line2D

from raysim.bands import band_name
from raysim.report import style

WIDTH_IN, ROW_IN, FRAME_IN = 7.0, 0.42, 1.0
MOST_ROWS = 60
SPREAD = 0.17


class Whisker(NamedTuple):
    """One comparison in one band.

    Attributes
    ----------
    label : str
        'rear: 100 mm against 25 mm'.
    band_hz : float
    effect, low, high : float
    is_sure : bool
        Whether it stands after the correction for many comparisons.
    """

    label: str
    band_hz: float
    effect: float
    low: float
    high: float
    is_sure: bool


def draw_effects(title: str, unit: str, whiskers: Sequence[Whisker]) -> bytes:
    """PNG of the effects on one quantity, comparisons from top to bottom, bands side by side.

    Filled: stands after the correction; open: may be chance. Of more comparisons than a page
    holds, those with the largest effects are drawn and the title says so.
    """
    labels, left_out = _largest(whiskers)
    bands = sorted({one.band_hz for one in whiskers})
    with style.drawing():
        figure = style.blank(WIDTH_IN, FRAME_IN + ROW_IN * len(labels))
        axes = figure.add_subplot()
        axes.axvline(0.0, color=style.QUIET, linewidth=0.9, zorder=1)
        for one in whiskers:
            if one.label not in labels:
                continue
            number = bands.index(one.band_hz)
            look = style.look(number)
            spread = min(SPREAD, 0.8 / len(bands))
            place = labels.index(one.label) + spread * (number - (len(bands) - 1) / 2)
            axes.plot([one.low, one.high], [place] * 2, color=look.colour, linewidth=1.3, zorder=3)
            axes.plot(
                one.effect,
                place,
                marker=look.marker,
                markersize=4.5,
                color=look.colour,
                markerfacecolor=look.colour if one.is_sure else "white",
                linestyle="none",
                zorder=4,
            )
        axes.set_yticks(np.arange(len(labels)), [style.short(label, 44) for label in labels])
        axes.set_ylim(len(labels) - 0.4, -0.6)
        axes.grid(axis="y", visible=False)
        axes.set_xlabel(f"change of {title}, {unit}" if unit != "1" else f"change of {title}")
        said = f" (the {len(labels)} largest of {len(labels) + left_out})" if left_out else ""
        axes.set_title(f"Effects on {title}{said}: dot and 95 % interval; open: may be chance")
        handles = [
            Line2D(
                [],
                [],
                color=style.look(k).colour,
                marker=style.look(k).marker,
                markersize=4.5,
                label=band_name(band),
            )
            for k, band in enumerate(bands)
        ]
        figure.legend(handles=handles, loc="outside lower center", ncols=len(bands))
        return style.png(figure)


def _largest(whiskers: Sequence[Whisker]) -> tuple[list[str], int]:
    """Labels to draw in their order, and how many are left out."""
    size: dict[str, float] = {}
    for one in whiskers:
        size[one.label] = max(size.get(one.label, 0.0), abs(one.effect))
    kept = sorted(size, key=lambda label: -size[label])[:MOST_ROWS]
    return [label for label in size if label in kept], len(size) - len(kept)
