"""Pictures of what changes between variants, each quantity on one scale before and after."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.quantities.comparison import Comparison
from raysim.quantities.differences import Difference
from raysim.report import curves, style
from raysim.report.comparing import title_of
from raysim.report.pictures import Picture, picture_of
from raysim.theory import criteria
from raysim.theory.noticeable import STEPS

Array = NDArray[np.float64]

DRAWN = ("T20", "C50", "G")
TOGETHER = len(style.LOOKS) - 1  # variants beside the first on one picture
HEIGHT_IN = 3.1


def draw_changes(compared: Sequence[Comparison], files: dict[str, bytes]) -> list[list[Picture]]:
    """Values and changes of each quantity in `DRAWN`: a row of pictures each.

    More variants than there are looks get a second picture of the same scale. The PNGs are added
    to `files`.
    """
    rows = []
    with style.drawing():
        for key in DRAWN:
            figures = []
            chunks = [compared[k : k + TOGETHER] for k in range(0, len(compared), TOGETHER)]
            for number, chunk in enumerate(chunks, start=1):
                of = "" if len(chunks) == 1 else f", {number} of {len(chunks)}"
                figures += [_values(key, chunk, of), _moved(key, chunk, of)]
            for kind in (0, 1):
                _same_scale([figure.axes[0] for figure in figures[kind::2]])
            files[f"{key.lower()}_changes.png"] = style.tiled_png(figures, 2)
            alts = (
                f"{title_of(key)} of each variant by band",
                f"Change of {title_of(key)} by band",
            )
            rows.append([picture_of(figure, alts[k % 2]) for k, figure in enumerate(figures)])
    return rows


def _values(key: str, chunk: Sequence[Comparison], of: str) -> Figure:
    first = _of(chunk[0], key)
    bands = chunk[0].bands_hz
    lines = [
        curves.Curve(style.short(name), e.value[0], e.standard_error[0])
        for name, e in [
            (chunk[0].before.name, first.before),
            *((one.after.name, _of(one, key).after) for one in chunk),
        ]
    ]
    figure = style.blank(style.PANEL_WIDTH_IN, HEIGHT_IN)
    doubtful = ~np.isfinite(first.before.value[0])
    curves.draw_quantity(
        figure.add_subplot(),
        bands,
        lines,
        f"{title_of(key)}{_place(first)}{of}",
        first.unit,
        doubtful.tolist(),
        guide=_guide(chunk[0]) if key == "T20" else None,
    )
    return figure


def _moved(key: str, chunk: Sequence[Comparison], of: str) -> Figure:
    """Change with the interval of its verdict, over a tint of what nobody would notice."""
    first = _of(chunk[0], key)
    bands = chunk[0].bands_hz
    place = np.arange(len(bands), dtype=np.float64)
    share = STEPS[key].is_share
    scale = 100.0 / first.before.value[0] if share else np.ones(len(bands))
    figure = style.blank(style.PANEL_WIDTH_IN, HEIGHT_IN)
    axes = figure.add_subplot()
    step = 100.0 * STEPS[key].size if share else STEPS[key].size
    axes.axhspan(-step, step, color=style.DOUBT, linewidth=0, zorder=0, label="not noticeable")
    axes.axhline(0.0, color=style.QUIET, linewidth=0.7, zorder=1)
    for index, one in enumerate(chunk, start=1):
        change, look = _of(one, key).change, style.look(index)
        low, high = (bound[0] for bound in change.interval(one.level))
        axes.errorbar(
            place + curves.BAND_SPREAD * (index - (len(chunk) + 1) / 2),
            change.value[0] * scale,
            (high - low) / 2 * scale,
            color=look.colour,
            linestyle="none",
            marker=look.marker,
            markersize=4.5,
            elinewidth=1.2,
            capsize=2.5,
            label=style.short(one.after.name),
            zorder=4,
        )
    axes.set_xticks(place, [band_name(f).removesuffix(" Hz") for f in bands])
    axes.set_xlim(-0.5, len(place) - 0.5)
    axes.set_title(f"Change from {style.short(chunk[0].before.name)}{of}")
    axes.set_xlabel("octave band, Hz")
    axes.set_ylabel("%" if share else first.unit)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.legend(loc="upper left", bbox_to_anchor=(-0.02, -0.24), ncols=2, columnspacing=1.2)
    return figure


def _of(comparison: Comparison, key: str) -> Difference:
    return comparison.of(key)[0].difference


def _place(one: Difference) -> str:
    return f", {one.places[0]}" if len(one.places) > 1 else ""


def _guide(comparison: Comparison) -> tuple[Array, Array]:
    nominal = criteria.nominal_decay_time(comparison.before.scene.volume)
    lower, upper = criteria.decay_tolerance_s(comparison.bands_hz)
    return nominal + lower, nominal + upper


def _same_scale(panels: Sequence[Axes]) -> None:
    limits: Any = [axes.get_ylim() for axes in panels]
    for axes in panels:
        axes.set_ylim(min(low for low, _ in limits), max(high for _, high in limits))
