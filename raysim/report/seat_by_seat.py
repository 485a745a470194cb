"""Which variant is better for whom: sentences, rows and a picture of the trade-off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.digits import rounded, tidy, with_error
from raysim.quantities.seat_aims import PARTS, STEP, SeatScore, TradeOff
from raysim.report import style
from raysim.report.pictures import Picture, picture_of

Array = NDArray[np.float64]

MOST_PICTURES = 3
WIDTH_IN, HEIGHT_IN = 5.4, 4.1
LEAST_SPAN = 4.0
APART = 0.065  # of the height of the picture, between labels
LABELS_FROM = 1.04


@dataclass(frozen=True)
class SeatBySeat:
    """What the page shows; `files` are PNG by name."""

    intro: str
    sentences: list[str]
    heads: tuple[str, ...]
    rows: list[dict[str, object]]
    pictures: list[Picture]
    files: dict[str, bytes]


def seat_by_seat(trade: TradeOff) -> SeatBySeat:
    """The section of a comparison with several seats."""
    files: dict[str, bytes] = {}
    pictures = []
    with style.drawing():
        for other in range(1, min(len(trade.receivers), MOST_PICTURES + 1)):
            figure = draw_trade_off(trade, 0, other)
            files[f"seats_{other:02d}.png"] = style.png(figure)
            names = f"“{trade.receivers[0]}” against “{trade.receivers[other]}”"
            pictures.append(picture_of(figure, f"Steps off the aims at {names}"))
    return SeatBySeat(_intro(trade), sentences(trade), PARTS, seat_rows(trade), pictures, files)


def _intro(trade: TradeOff) -> str:
    bands = [band_name(f) for f in trade.bands_hz]
    span = f", {bands[0]} to {bands[-1]}" if len(bands) > 1 else f", {bands[0]}" if bands else ""
    decay = f"T20 outside its tolerance (mean over bands{span})" if bands else ""
    parts = [*([decay] if decay else []), "the strongest early reflection above its criterion"]
    if bands:
        parts.append("the level of left against right (mean over bands)")
    return (
        "How far each seat is from what is aimed at, in steps that a listener notices: "
        f"{'; '.join(parts)}; added without weights. Less is better."
    )


def sentences(trade: TradeOff) -> list[str]:
    """Each variant for each seat, and where there is a choice to make."""
    before = trade.scores[0]
    said = []
    for score in trade.scores[1:]:
        parts = [
            f"{score.words[r]} at “{receiver}” ({_off(before, r)} to {_off(score, r)} steps off)"
            for r, receiver in enumerate(trade.receivers)
        ]
        said.append(f"“{score.name}”: {', '.join(parts)}.")
    best = undominated(trade)
    if len(best) == 1:
        said.append(f"None serves any seat better than “{trade.scores[best[0]].name}”.")
    else:
        names = [f"“{trade.scores[n].name}”" for n in best]
        said.append(
            f"Between {', '.join(names[:-1])} and {names[-1]} there is a choice: where one seat "
            "gains the other loses."
        )
    return said


def _off(score: SeatScore, receiver: int) -> str:
    off = score.off
    return with_error(float(off.value[receiver]), float(off.standard_error[receiver]))


def undominated(trade: TradeOff) -> list[int]:
    """Variants than which no other is better at one seat and as good at all."""
    off = np.array([score.off.value for score in trade.scores])
    return [
        n
        for n, one in enumerate(off)
        if not any((other <= one).all() and (other < one).any() for other in off)
    ]


def seat_rows(trade: TradeOff) -> list[dict[str, object]]:
    """A row for each seat and variant."""
    rows: list[dict[str, object]] = []
    for r, receiver in enumerate(trade.receivers):
        for score in trade.scores:
            loudest = score.strongest[r]
            rows.append(
                {
                    "seat": receiver,
                    "variant": score.name,
                    "off": tuple(_off(score, r).split(" ±")),
                    "parts": [
                        (tidy(float(part), 1), "")
                        if error == 0
                        else rounded(float(part), float(error))
                        for part, error in zip(score.parts[r], score.parts_error[r], strict=True)
                    ],
                    "strongest": "none" if loudest is None else loudest.path,
                    "level": "–" if loudest is None else tidy(loudest.level_db, 1),
                    "verdict": score.words[r] if score.words else "",
                    "divider": r > 0 and score is trade.scores[0],
                }
            )
    return rows


def draw_trade_off(trade: TradeOff, one: int, other: int) -> Figure:
    """Steps off the aims at one seat across, at the other up; the line joins what is undominated.

    The grey square is one noticeable step about the first variant.
    """
    off = np.array([score.off.value[[one, other]] for score in trade.scores])
    error = np.array([score.off.standard_error[[one, other]] for score in trade.scores])
    figure = style.blank(WIDTH_IN, HEIGHT_IN)
    axes = figure.add_subplot()
    axes.set_aspect("equal")
    _square(axes, off[0])
    best = [n for n in undominated(trade) if len(trade.receivers) == 2]
    line = off[sorted(best, key=lambda n: off[n, 0])] if best else np.zeros((0, 2))
    axes.plot(*line.T, color=style.QUIET, linewidth=1.0, zorder=2)
    for n, (x, y) in enumerate(off):
        look = style.look(n)
        axes.errorbar(
            x, y, error[n, 1], error[n, 0], color=look.colour, linestyle="none",
            marker=look.marker, markersize=5.5, elinewidth=1.1, capsize=2.0, zorder=4,
            markerfacecolor="white" if n == 0 else look.colour,
        )  # fmt: skip
    _limits(axes, off)
    _labels(axes, off, [style.short(score.name) for score in trade.scores])
    for axis, receiver in ((axes.xaxis, one), (axes.yaxis, other)):
        axis.set_label_text(f"steps off the aims at “{style.short(trade.receivers[receiver], 18)}”")
    axes.set_title("Down and to the left is better")
    return figure


def _square(axes: Axes, first: Array) -> None:
    x, y = first
    axes.fill(
        [x - STEP, x + STEP, x + STEP, x - STEP],
        [y - STEP, y - STEP, y + STEP, y + STEP],
        color=style.DOUBT,
        linewidth=0,
        zorder=0,
    )


def _limits(axes: Axes, off: Array) -> None:
    low = np.minimum(off.min(axis=0), off[0] - STEP)
    high = np.maximum(off.max(axis=0), off[0] + STEP)
    middle = (low + high) / 2
    half = max(0.55 * float((high - low).max()), LEAST_SPAN / 2)
    left, bottom = np.maximum(middle - half, -0.2)
    axes.set_xlim(left, left + 2 * half)
    axes.set_ylim(bottom, bottom + 2 * half)


def _labels(axes: Axes, off: Array, names: list[str]) -> None:
    """Names in a column to the right, as high as their points where there is room."""
    bottom, top = axes.get_ylim()
    wanted = (off[:, 1] - bottom) / (top - bottom)
    order = np.argsort(wanted)
    places = wanted[order].copy()
    for k in range(1, len(places)):
        places[k] = max(places[k], places[k - 1] + APART)
    places -= max(0.0, places[-1] - 0.98)
    for k in range(len(places) - 2, -1, -1):
        places[k] = min(places[k], places[k + 1] - APART)
    for place, n in zip(places, order, strict=True):
        axes.annotate(
            names[n],
            off[n],
            (LABELS_FROM, place),
            textcoords="axes fraction",
            fontsize=style.SMALL,
            va="center",
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-", "color": style.HAIRLINE, "linewidth": 0.7, "shrinkB": 4,
            },
        )  # fmt: skip
