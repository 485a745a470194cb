"""Curves over time and band, with what is uncertain as a tint or whisker around them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator, MultipleLocator
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.digits import tidy
from raysim.report import style
from raysim.report.drawings import NumberedPath

Array = NDArray[np.float64]

DEEPEST_DB = -60.0
SHOWN_LEVEL_DB = (-30.0, 6.0)
SAME_ARRIVAL_MS, SAME_LEVEL_DB = 0.3, 1.5
BAND_SPREAD = 0.11
# Room that a number takes in the chart of early reflections.
LETTER_SHARE, LINE_DB = 0.016, 2.7


@dataclass(frozen=True)
class Curve:
    """A named line with its standard error, both (n,); NaN leaves a gap."""

    name: str
    value: Array
    standard_error: Array


def draw_decay(
    axes: Axes,
    time_s: Array,
    curves: Sequence[Curve],
    title: str,
    doubt: str = "",
    with_key: bool = True,
) -> None:
    """Backward-integrated level in dB over time, one line a source; `doubt` greys the panel."""
    end = 0.0
    for index, curve in enumerate(curves):
        look = style.look(index)
        shown = curve.value > DEEPEST_DB - 20
        part = Curve(curve.name, curve.value[shown], curve.standard_error[shown])
        _line(axes, 1e3 * time_s[shown], part, look)
        reached = np.flatnonzero(curve.value > DEEPEST_DB)
        end = max(end, float(time_s[reached[-1]]) if len(reached) else 0.0)
    for level in (-5.0, -25.0):
        axes.axhline(level, color=style.QUIET, linewidth=0.6, dashes=(2, 2), zorder=1)
    axes.set_xlim(0, 1e3 * end or None)
    axes.set_ylim(DEEPEST_DB, 2)
    _label(axes, title, "time after the direct sound, ms", "level, dB")
    _finish(axes, doubt, with_key)


def draw_energy_time(
    axes: Axes,
    time_s: Array,
    curves: Sequence[Curve],
    title: str,
    until_s: float,
    doubt: str = "",
    with_key: bool = True,
) -> None:
    """Level in each time bin re the direct sound in dB, one line a source."""
    shown = time_s <= until_s
    for index, curve in enumerate(curves):
        part = Curve(curve.name, curve.value[shown], curve.standard_error[shown])
        _line(axes, 1e3 * time_s[shown], part, style.look(index), steps=True)
    axes.set_xlim(0, 1e3 * until_s)
    axes.set_ylim(-45, 5)
    _label(axes, title, "time after the direct sound, ms", "level re direct, dB")
    _finish(axes, doubt, with_key)


def draw_quantity(
    axes: Axes,
    bands_hz: Sequence[float],
    curves: Sequence[Curve],
    title: str,
    unit: str,
    doubtful: Sequence[bool],
    *,
    spread: tuple[Array, Array] | None = None,
    guide: tuple[Array, Array] | None = None,
) -> None:
    """A quantity by band: marker and whisker of one standard error a line.

    Parameters
    ----------
    doubtful : (bands,) bool
        Bands in which rays say nothing; greyed.
    spread : pair of (bands,) float
        Range that the material data leave, tinted.
    guide : pair of (bands,) float
        Tolerance area of a guide, hatched; infinite or NaN where it sets no limit.
    """
    place = np.arange(len(bands_hz), dtype=np.float64)
    tops = [float(np.nanmax(c.value, initial=0.0)) for c in curves]
    if spread is not None:
        tops.append(_spread(axes, place, *spread))
    if guide is not None:
        tops.append(_guide(axes, place, *guide))
    for index, curve in enumerate(curves):
        look = style.look(index)
        axes.errorbar(
            place + BAND_SPREAD * (index - (len(curves) - 1) / 2),
            curve.value,
            curve.standard_error,
            color=look.colour,
            linestyle="solid" if look.dashes is None else (0, look.dashes),
            linewidth=1.1,
            marker=look.marker,
            markersize=4,
            elinewidth=1.2,
            capsize=2.5,
            label=curve.name if np.isfinite(curve.value).any() else None,
            zorder=4,
        )
    axes.set_xticks(place, [band_name(f).removesuffix(" Hz") for f in bands_hz])
    if len(bands_hz) > 10:
        axes.tick_params(axis="x", rotation=90)
    axes.set_xlim(-0.5, len(place) - 0.5)
    for band in np.flatnonzero(doubtful):
        axes.axvspan(band - 0.5, band + 0.5, color=style.DOUBT, linewidth=0, zorder=0)
    top = max(tops, default=0.0)
    if unit == "s":
        axes.set_ylim(0, 1.15 * top if top > 0 else None)
    _label(axes, title, "octave band, Hz", unit)
    axes.legend(loc="upper left", bbox_to_anchor=(-0.02, -0.24), ncols=2, columnspacing=1.2)


def _spread(axes: Axes, place: Array, low: Array, high: Array) -> float:
    """Tint what the material data leave, and return its top."""
    axes.fill_between(
        place,
        low,
        high,
        color=style.look(1).colour,
        alpha=0.16,
        linewidth=0,
        zorder=1,
        label="if the materials differ within their ranges",
    )
    return float(np.nanmax(high, initial=0.0))


def _guide(axes: Axes, place: Array, low: Array, high: Array) -> float:
    """Hatch a guide's tolerance, and return its top."""
    low, high = (np.where(np.isfinite(edge), edge, np.nan) for edge in (low, high))
    axes.fill_between(
        place,
        np.where(np.isnan(low) & np.isfinite(high), 0.0, low),
        high,
        facecolor="none",
        edgecolor=style.GUIDE,
        hatch="////",
        linewidth=0,
        alpha=0.55,
        zorder=1,
        label="guide: ITU-R BS.1116-3 tolerance",
    )
    for edge in (low, high):
        axes.plot(place, edge, color=style.GUIDE, linewidth=0.8, zorder=1.5)
    return float(np.nanmax(high, initial=0.0))


def draw_early(
    axes: Axes,
    delays_ms: Array,
    levels_db: Array,
    paths: Sequence[NumberedPath],
    title: str,
    limit_db: float,
    window_ms: float,
    until_ms: float,
) -> None:
    """Delay and level of one source's early reflections against the limit of the criterion.

    Filled markers are single reflections, open ones have met more than one surface.

    Parameters
    ----------
    delays_ms, levels_db : (paths,) float
        As in the table.
    until_ms : float
        End of the time axis.
    """
    low, high = SHOWN_LEVEL_DB
    axes.fill_between(
        [0, window_ms], limit_db, high, color=style.GUIDE, alpha=0.13, linewidth=0, zorder=1
    )
    axes.plot(
        [0, window_ms, window_ms], [limit_db, limit_db, high], color=style.GUIDE, linewidth=1.2
    )
    axes.text(
        window_ms - 0.15,
        high - 0.8,
        f"guide: nothing above {tidy(limit_db, 0)} dB before {window_ms:g} ms",
        fontsize=style.SMALL,
        color=style.GUIDE,
        ha="right",
        va="top",
    )
    for path, delay, level in zip(paths, delays_ms, levels_db, strict=True):
        look, first = style.look(path.reflection.source), path.reflection.order == 1
        axes.vlines(delay, low, level, color=look.colour, linewidth=1.1 if first else 0.6, zorder=3)
        axes.plot(
            delay,
            level,
            marker=look.marker,
            markersize=5 if first else 3.5,
            color=look.colour,
            markerfacecolor=look.colour if first else "white",
            zorder=4,
        )
    _number(axes, delays_ms, levels_db, [path.number for path in paths], until_ms)
    axes.set_xlim(0, until_ms)
    axes.xaxis.set_major_locator(MultipleLocator(5.0))
    axes.set_ylim(low, high)
    _label(axes, title, "time after the direct sound, ms", "level re direct, dB")


def _number(
    axes: Axes, delays_ms: Array, levels_db: Array, numbers: Sequence[int], until_ms: float
) -> None:
    """Numbers over their markers: equal ones share a place, near ones stand above each other."""
    labels: list[tuple[float, float, list[int]]] = []
    for number, delay, level in zip(numbers, delays_ms, levels_db, strict=True):
        for x, y, own in labels:
            if abs(x - delay) < SAME_ARRIVAL_MS and abs(y - level) < SAME_LEVEL_DB:
                own.append(number)
                break
        else:
            labels.append((float(delay), float(level), [number]))
    placed: list[tuple[float, float, float]] = []
    for x, y, own in sorted(labels):
        text = ", ".join(map(str, sorted(own)))
        half, base = LETTER_SHARE * until_ms * len(text) / 2, y
        while any(abs(x - a) < half + w and abs(base - b) < LINE_DB for a, b, w in placed):
            base += LINE_DB / 4
        placed.append((x, base, half))
        axes.annotate(
            text,
            (x, base),
            (0, 4),
            textcoords="offset points",
            fontsize=style.SMALL,
            ha="center",
            va="bottom",
            zorder=6,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.3, "alpha": 0.85},
        )


def _line(axes: Axes, x: Array, curve: Curve, look: style.Look, steps: bool = False) -> None:
    axes.fill_between(
        x,
        curve.value - curve.standard_error,
        curve.value + curve.standard_error,
        color=look.colour,
        alpha=0.25,
        linewidth=0,
        step="post" if steps else None,
        zorder=2,
    )
    axes.plot(
        x,
        curve.value,
        color=look.colour,
        linestyle="solid" if look.dashes is None else (0, look.dashes),
        linewidth=0.9 if steps else 1.3,
        drawstyle="steps-post" if steps else "default",
        label=curve.name,
        zorder=3,
    )


def _label(axes: Axes, title: str, across: str, up: str) -> None:
    axes.set_title(title)
    axes.set_xlabel(across)
    axes.set_ylabel(up)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))


def _finish(axes: Axes, doubt: str, with_key: bool) -> None:
    """Add the key of the lines and, where rays say little, grey the panel."""
    if with_key:
        axes.legend(loc="lower left" if doubt else "upper right")
    if not doubt:
        return
    axes.set_facecolor(style.DOUBT)
    axes.text(
        0.97,
        0.95,
        doubt,
        transform=axes.transAxes,
        fontsize=style.SMALL,
        ha="right",
        va="top",
        zorder=9,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 2.0},
    )
