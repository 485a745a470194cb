"""How every drawing and curve looks, decided once.

Two rules hold everywhere. Nothing is told by colour alone: each source also has its own line
style and marker, and the four hues differ in lightness, so that a photocopy still reads. What is
known is drawn in ink; what is uncertain is a tint around it.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import BoundaryNorm, ListedColormap, to_rgb
from matplotlib.figure import Figure
from matplotlib.image import imsave

INK = "#1c2733"
QUIET = "#5d6873"
HAIRLINE = "#c5ccd3"
WASH = "#eef1f4"
MASONRY = "#b4bdc6"
FURNITURE = "#dfe5ea"
DOUBT = "#dde2e7"
GUIDE = "#7a5c9e"
ALERT = "#a8321a"
LESS, MORE = "#12406f", "#a04a10"
SHADES = 4

# One type scale for figures, points; a figure is shown and printed at its own size.
SMALL, TEXT, HEAD = 7.0, 8.5, 10.0

PLAN_WIDTH_IN = 4.4
PANEL_WIDTH_IN = 3.5
PANEL_HEIGHT_IN = 2.55
PNG_DPI = 200


@dataclass(frozen=True)
class Look:
    """Colour, line style and marker of one source, or of one quantity."""

    colour: str
    dashes: tuple[float, ...] | None
    marker: str


LOOKS = (
    Look("#12406f", None, "o"),
    Look("#d07f12", (5.0, 1.8), "s"),
    Look("#2c8a78", (1.4, 1.4), "^"),
    Look("#86325f", (6.0, 1.6, 1.4, 1.6), "D"),
)

_PARAMETERS: Any = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": TEXT,
    "axes.titlesize": TEXT,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlecolor": INK,
    "axes.labelsize": TEXT,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": HAIRLINE,
    "grid.linewidth": 0.5,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "legend.fontsize": SMALL,
    "legend.frameon": False,
    "lines.linewidth": 1.4,
    "lines.solid_capstyle": "round",
    "text.color": INK,
    "text.parse_math": False,
    "figure.facecolor": "white",
    "svg.fonttype": "path",
    "svg.hashsalt": "raysim",
    "hatch.linewidth": 0.5,
}


def short(name: str, most: int = 24) -> str:
    """Return a name that a drawing has room for: the page has it in full."""
    return name if len(name) <= most else name[: most - 1] + "…"


def look(index: int) -> Look:
    """Look of the source (or quantity) with this index; after four they repeat."""
    return LOOKS[index % len(LOOKS)]


def diverging(step: float) -> tuple[ListedColormap, BoundaryNorm]:
    """Colours of a change, a shade a step: blues for less, browns for more, about zero neutral.

    Both ends are equally dark; hatch what is more, so that a photocopy still tells. There are
    SHADES either way, and the darkest holds all beyond.
    """
    white = np.ones(3)
    shares = np.linspace(0.22, 1.0, SHADES)
    less, more = (
        [white + share * (np.array(to_rgb(hue)) - white) for share in shares]
        for hue in (LESS, MORE)
    )
    colours = ListedColormap([*less[::-1], WASH, *more])
    edges = step * (np.arange(2 * SHADES + 2) - SHADES - 0.5)
    return colours, BoundaryNorm(edges, colours.N, clip=True)


def doublings(either_way: int) -> tuple[ListedColormap, BoundaryNorm]:
    """Colours of a share of energy, a shade a doubling about 1: the more, the darker.

    One hue, so that a photocopy shows the same order; the ends hold all beyond.
    """
    count = 2 * either_way + 1
    shares = np.linspace(0.06, 1.0, count)
    colours = [np.ones(3) + share * (np.array(to_rgb(LESS)) - np.ones(3)) for share in shares]
    edges = 2.0 ** (np.arange(count + 1) - either_way - 0.5)
    return ListedColormap(colours), BoundaryNorm(edges, count, clip=True)


@contextmanager
def drawing() -> Iterator[None]:
    """Style in force: create, draw and render figures inside this."""
    with mpl.rc_context(_PARAMETERS):
        yield


def blank(width_in: float, height_in: float) -> Figure:
    """Return an empty figure of this printed size in inches."""
    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def sheet(width_in: float, height_in: float) -> tuple[Figure, Axes]:
    """Return a figure whose axes fill it, without ticks or spines, for scale drawings."""
    figure = Figure(figsize=(width_in, height_in))
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_aspect("equal")
    return figure, axes


def svg(figure: Figure) -> bytes:
    """Render as SVG and settle the layout; the same figure gives the same bytes."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    figure.set_layout_engine("none")  # finding it is half the work, and it would be found again
    return buffer.getvalue()


def png(figure: Figure) -> bytes:
    """Render as PNG."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=PNG_DPI, metadata={"Software": None})
    return buffer.getvalue()


def tiled_png(figures: Sequence[Figure], columns: int) -> bytes:
    """Render figures of one size as one PNG, row by row."""
    tiles = []
    for figure in figures:
        figure.set_dpi(PNG_DPI)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()  # type: ignore[no-untyped-call]
        tiles.append(np.asarray(canvas.buffer_rgba())[..., :3])  # type: ignore[no-untyped-call]
    blank_tile = np.full_like(tiles[0], 255)
    tiles += [blank_tile] * (-len(tiles) % columns)
    rows = [np.hstack(tiles[i : i + columns]) for i in range(0, len(tiles), columns)]
    buffer = io.BytesIO()
    about: dict[str, Any] = {"Software": None}
    imsave(buffer, np.vstack(rows), format="png", dpi=PNG_DPI, metadata=about)
    return buffer.getvalue()
