"""Curves of the bass and of the joined response."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator
from numpy.typing import NDArray

from raysim.quantities.bass_levels import seat_levels_db
from raysim.quantities.bass_modes import Mode
from raysim.quantities.dips import Dip
from raysim.report import style
from raysim.results.data import Bass, Result
from raysim.results.response import Response
from raysim.theory.nulls import QUIET

Array = NDArray[np.float64]

WIDE_IN = 7.4
TICKS_HZ = (20, 30, 50, 100, 200, 300, 500, 1000, 2000, 5000, 10_000, 20_000)
SPAN_DB = 45.0
ABOVE_DB = 6.0
MOST_NAMED = 5
APART = 1.12  # names of dips nearer than this ratio would run together
PLAIN = "#9aa5b0"


def draw_response(
    response: Response,
    variant: int,
    playback: int,
    receiver: int,
    dips: Sequence[Dip] = (),
) -> Figure:
    """Level from 20 Hz to 20 kHz: as it is, smoothed, both parts in the overlap, and dips."""
    figure = style.blank(WIDE_IN, 3.3)
    axes = figure.add_subplot()
    f, at = response.frequency_hz, (variant, playback, receiver)
    smooth = response.smoothed_db[at]
    top = _top(smooth)
    overlap = f[(response.bass_share > 0) & (response.bass_share < 1)]
    axes.axvspan(overlap[0], overlap[-1], color=style.DOUBT, linewidth=0, zorder=0)
    _parts_named(axes, overlap, top)
    axes.plot(f, response.level_db[at], color=PLAIN, linewidth=0.5, zorder=2, label="unsmoothed")
    shown = (f >= overlap[0] / 1.06) & (f <= overlap[-1] * 1.06)
    for levels, number, label in (
        (response.bass_db, 1, "waves alone"),
        (response.geometrical_db, 2, "images and rays alone"),
    ):
        look = style.look(number)
        axes.plot(
            f[shown],
            levels[at][shown],
            color=look.colour,
            linestyle="solid" if look.dashes is None else (0, look.dashes),
            linewidth=1.1,
            zorder=3,
            label=label,
        )
    axes.plot(f, smooth, color=style.INK, linewidth=1.8, zorder=4, label="1/6 octave")
    _name_dips(axes, f, smooth, dips, top)
    _finish(axes, f[0], f[-1], top, f"What plays: {style.short(response.playback[playback], 60)}")
    return figure


def draw_sources(response: Response, variant: int, receiver: int) -> Figure:
    """Smoothed level of each source alone, and of all together."""
    figure = style.blank(WIDE_IN, 2.8)
    axes = figure.add_subplot()
    f = response.frequency_hz
    each = response.smoothed_db[variant, :, receiver]
    alone = len(response.playback) - (len(response.playback) > 1)
    for number, (name, levels) in enumerate(zip(response.playback, each, strict=True)):
        look = style.look(number)
        together = number >= alone
        axes.plot(
            f,
            levels,
            color=style.INK if together else look.colour,
            linestyle="solid" if together or look.dashes is None else (0, look.dashes),
            linewidth=1.9 if together else 1.2,
            label=style.short(name, 40),
            zorder=4 if together else 3,
        )
    _finish(axes, f[0], f[-1], _top(each), "Each source alone and all together, 1/6 octave")
    return figure


def draw_bass(result: Result, bass: Bass, modes: Sequence[Mode], receiver: int) -> Figure:
    """Level of each source at the seat, its range over the head zone, and the modes below."""
    figure = style.blank(WIDE_IN, 3.3)
    axes = figure.add_subplot()
    f = bass.frequency_hz
    seat, low, high = (levels[0, :, receiver] for levels in seat_levels_db(bass))
    top = _top(seat)
    for number, source in enumerate(result.scene.sources[: len(style.LOOKS)]):
        look = style.look(number)
        axes.fill_between(
            f, low[number], high[number], color=look.colour, alpha=0.2, linewidth=0, zorder=2
        )
        axes.plot(
            f,
            seat[number],
            color=look.colour,
            linestyle="solid" if look.dashes is None else (0, look.dashes),
            linewidth=1.4,
            label=style.short(source.name),
            zorder=3,
        )
    floor = top - SPAN_DB
    for mode in modes:
        heard = (
            abs(mode.at_receivers[receiver]) >= QUIET and (np.abs(mode.at_sources) >= QUIET).any()
        )
        axes.plot(
            [mode.frequency_hz] * 2,
            [floor, floor + (3.5 if heard else 2.0)],
            color=style.INK if heard else PLAIN,
            linewidth=1.1 if heard else 0.7,
            zorder=4,
        )
    name = style.short(result.scene.receivers[receiver].name)
    _finish(axes, f[0], f[-1], top, f"The bass at “{name}”, and over its head zone (tint)")
    return figure


def draw_before_after(
    frequency_hz: Array, before: Array, after: Array, names: tuple[str, str], title: str
) -> Figure:
    """Two smoothed levels (F,) on one scale."""
    figure = style.blank(WIDE_IN, 2.8)
    axes = figure.add_subplot()
    for number, (levels, name) in enumerate(zip((before, after), names, strict=True)):
        look = style.look(number)
        axes.plot(
            frequency_hz,
            levels,
            color=look.colour,
            linestyle="solid" if look.dashes is None else (0, look.dashes),
            linewidth=1.6,
            label=style.short(name, 40),
        )
    top = _top(np.array([before, after]))
    _finish(axes, frequency_hz[0], frequency_hz[-1], top, title)
    return figure


def _top(levels: NDArray[Any]) -> float:
    """Upper end of the scale, the same whatever the dips."""
    return float(5 * np.ceil((np.nanmax(levels) + ABOVE_DB) / 5))


def _finish(axes: Axes, low_hz: float, high_hz: float, top: float, title: str) -> None:
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    axes.set_ylim(top - SPAN_DB, top)
    ticks = [f for f in TICKS_HZ if low_hz <= f <= high_hz]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xticklabels([f"{f // 1000}k" if f >= 1000 else f"{f}" for f in ticks])
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel("level re free field at 10 m, dB")
    axes.set_title(title)
    axes.legend(loc="upper left", bbox_to_anchor=(-0.01, -0.18), ncols=4, columnspacing=1.4)


def _parts_named(axes: Axes, overlap: Array, top: float) -> None:
    for place, text, side in (
        (overlap[0] / 1.05, "waves", "right"),
        (np.sqrt(overlap[0] * overlap[-1]), "both", "center"),
        (overlap[-1] * 1.05, "images and rays", "left"),
    ):
        axes.text(
            place, top - 0.8, text, fontsize=style.SMALL, color=style.QUIET, ha=side, va="top"
        )


def _name_dips(axes: Axes, f: Array, smooth: Array, dips: Sequence[Dip], top: float) -> None:
    named: list[float] = []
    for dip in sorted(dips, key=lambda d: -d.depth_db):
        apart = all(max(dip.frequency_hz / g, g / dip.frequency_hz) > APART for g in named)
        if not dip.surface or not apart or len(named) == MOST_NAMED:
            continue
        named.append(dip.frequency_hz)
        level = float(np.interp(dip.frequency_hz, f, smooth))
        axes.annotate(
            f"{dip.frequency_hz:.0f} Hz\n{style.short(dip.surface, 16)}",
            (dip.frequency_hz, level),
            (dip.frequency_hz, max(level - 7, top - SPAN_DB + 4)),
            fontsize=style.SMALL,
            ha="center",
            va="top",
            zorder=6,
            arrowprops={"arrowstyle": "-", "color": style.QUIET, "linewidth": 0.7},
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.85},
        )
