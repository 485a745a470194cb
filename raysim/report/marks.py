"""Small things put on a drawing: numbered points, dimension lines, sources, heads."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import BoxStyle, Circle, FancyBboxPatch, PathPatch, Rectangle
from matplotlib.patches import Polygon as PolygonPatch
from matplotlib.path import Path
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from raysim.report import style

Array = NDArray[np.float64]

# Drawn thickness of what bounds the air; its real thickness is not known and not used.
MASONRY_M = 0.09
_TURNS = np.deg2rad([0, 30, -30, 60, -60, 90, -90, 130, -130, 180])
_REACHES = (1.7, 2.5, 3.4, 4.4)


@dataclass
class Pins:
    """Places numbers beside points so that none lies on another.

    Attributes
    ----------
    axes : Axes
    size_m : float
        Half the height of a number's plate, in metres of the drawing.
    taken : list of (x, y, half width, half height)
        What is already occupied.
    """

    axes: Axes
    size_m: float
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    def avoid(self, point: Array, half_width_m: float, half_height_m: float | None = None) -> None:
        """Keep numbers off this place."""
        tall = half_width_m if half_height_m is None else half_height_m
        self.taken.append((float(point[0]), float(point[1]), half_width_m, tall))

    def put(self, point: Array, label: str, toward: Array, colour: str = style.INK) -> None:
        """Mark a point with a dot and its number, preferably in direction `toward`."""
        half = self.size_m * max(1.0, 0.32 + 0.37 * len(label))
        length = float(np.linalg.norm(toward))
        ahead = toward / length if length > 1e-9 else np.array([0.0, 1.0])
        place = self._free_place(point, ahead, half)
        self.avoid(place, half, self.size_m)
        self.axes.plot(*zip(point, place, strict=True), color=style.INK, linewidth=0.5, zorder=6)
        self.axes.plot(*point, marker="o", markersize=2.6, color=colour, zorder=8)
        self.axes.add_patch(
            FancyBboxPatch(
                (place[0] - half, place[1] - self.size_m),
                2 * half,
                2 * self.size_m,
                boxstyle=BoxStyle.Round(pad=0.0, rounding_size=self.size_m),
                facecolor="white",
                edgecolor=style.INK,
                linewidth=0.6,
                zorder=7,
            )
        )
        self.axes.text(
            float(place[0]),
            float(place[1]),
            label,
            fontsize=style.SMALL,
            ha="center",
            va="center_baseline",
            zorder=9,
        )

    def _free_place(self, point: Array, ahead: Array, half: float) -> Array:
        """Return the first place around the point that is free, or the least crowded."""
        best, least = point, np.inf
        for reach in _REACHES:
            for turn in _TURNS:
                c, s = np.cos(turn), np.sin(turn)
                step = np.array([c * ahead[0] - s * ahead[1], s * ahead[0] + c * ahead[1]])
                away = reach * self.size_m + abs(step[0]) * (half - self.size_m)
                place = point + away * step
                overlap = sum(
                    max(0.0, min(half + w - abs(place[0] - x), self.size_m + h - abs(place[1] - y)))
                    for x, y, w, h in self.taken
                )
                if overlap < least - 1e-9:
                    best, least = place, overlap
                if overlap == 0:
                    return np.asarray(place)
        return np.asarray(best)


def shape(
    axes: Axes,
    geometry: BaseGeometry,
    face: str,
    edge: str,
    width: float,
    zorder: float,
    dashes: str = "solid",
) -> None:
    """Fill a shapely area, holes left open."""
    for part in getattr(geometry, "geoms", [geometry]):
        if part.geom_type != "Polygon" or part.is_empty:
            continue
        loops = [part.exterior, *part.interiors]
        path = Path.make_compound_path(
            *(Path(np.asarray(loop.coords), closed=True) for loop in loops)
        )
        axes.add_patch(
            PathPatch(
                path,
                facecolor=face,
                edgecolor=edge,
                linewidth=width,
                linestyle=dashes,
                zorder=zorder,
            )
        )


def dimensions(
    axes: Axes,
    stops: Sequence[float],
    at: float,
    along: str,
    text_gap_m: float,
    side: int = 1,
    *,
    tick_m: float | None = None,
    written: Callable[[float], str] = "{:.2f}".format,
) -> None:
    """Draw a dimension line with a slash at each stop and the length of each part.

    Parameters
    ----------
    stops : (k,) float
        Places along the line; those closer than 2 cm are drawn as one.
    at : float
        Where the line lies across.
    along : 'x' or 'y'
    side : +1 or -1
        Side of the line that the numbers stand on.
    tick_m : float
        Half-width of the slashes; follows `text_gap_m` where not given.
    written : callable
        Length in m to text; metres to the centimetre where not given.
    """
    kept: list[float] = []
    for stop in sorted(stops):
        if not kept or stop - kept[-1] > 0.02:
            kept.append(stop)
    flat = along == "x"

    def place(a: float, b: float) -> tuple[float, float]:
        return (a, b) if flat else (b, a)

    axes.plot(
        *zip(place(kept[0], at), place(kept[-1], at), strict=True),
        color=style.QUIET,
        linewidth=0.6,
        zorder=2,
    )
    tick = 0.45 * text_gap_m if tick_m is None else tick_m
    for stop in kept:
        axes.plot(
            [place(stop, at)[0] - tick, place(stop, at)[0] + tick],
            [place(stop, at)[1] - tick, place(stop, at)[1] + tick],
            color=style.INK,
            linewidth=0.9,
            zorder=3,
        )
    for before, after in pairwise(kept):
        x, y = place((before + after) / 2, at + side * text_gap_m)
        axes.text(
            x,
            y,
            written(after - before),
            fontsize=style.SMALL,
            rotation=0 if flat else 90,
            ha="center",
            va="center",
            zorder=9,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )


def source(
    axes: Axes, place: Array, aim: Array, label: str, colour: str, size_m: float, above: bool = True
) -> None:
    """Draw a source: a wedge that opens where it aims, with its name."""
    length = float(np.linalg.norm(aim))
    ahead = aim / length if length > 1e-6 else np.array([0.0, -1.0])
    side = np.array([-ahead[1], ahead[0]])
    outline = [
        place - size_m * (ahead + 0.45 * side),
        place - size_m * (ahead - 0.45 * side),
        place + size_m * (0.25 * ahead + side),
        place + size_m * (0.25 * ahead - side),
    ]
    axes.add_patch(
        PolygonPatch(
            np.array(outline),
            closed=True,
            facecolor=colour,
            edgecolor=style.INK,
            linewidth=0.7,
            zorder=6,
        )
    )
    axes.plot(*place, marker="+", markersize=3.4, color="white", markeredgewidth=0.8, zorder=7)
    gap = 1.9 * size_m * (1 if above else -1)
    name(axes, place + np.array([0.0, gap]), label)


def head(axes: Axes, place: Array, facing: Array, zone: Array, size_m: float) -> None:
    """Draw a receiver: a head with a nose where it faces, in the box it moves in."""
    axes.add_patch(
        Rectangle(
            (float(place[0] - zone[0]), float(place[1] - zone[1])),
            2 * float(zone[0]),
            2 * float(zone[1]),
            facecolor="none",
            edgecolor=style.QUIET,
            linewidth=0.6,
            linestyle=(0, (3, 2)),
            zorder=5,
        )
    )
    length = float(np.linalg.norm(facing))
    if length > 1e-6:
        ahead = facing / length
        side = np.array([-ahead[1], ahead[0]])
        nose = [
            place + size_m * (0.75 * ahead + 0.45 * side),
            place + size_m * 1.55 * ahead,
            place + size_m * (0.75 * ahead - 0.45 * side),
        ]
        axes.add_patch(
            PolygonPatch(np.array(nose), facecolor=style.INK, edgecolor="none", zorder=6)
        )
    axes.add_patch(
        Circle(
            (float(place[0]), float(place[1])),
            size_m,
            facecolor="white",
            edgecolor=style.INK,
            linewidth=1.0,
            zorder=6,
        )
    )
    axes.plot(*place, marker="+", markersize=3.4, color=style.INK, markeredgewidth=0.7, zorder=7)


def name(
    axes: Axes, place: Array, text: str, rotation: float = 0.0, colour: str = style.INK
) -> None:
    """Write a name on a white ground."""
    axes.text(
        float(place[0]),
        float(place[1]),
        style.short(text),
        fontsize=style.SMALL,
        ha="center",
        va="center",
        rotation=rotation,
        rotation_mode="anchor",
        color=colour,
        zorder=9,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.85},
    )


def furniture_name(axes: Axes, place: tuple[float, float], text: str, rotation: float) -> None:
    """Write the name of an object on it, legible across the sound that passes."""
    axes.text(
        *place,
        text,
        fontsize=style.SMALL,
        color=style.QUIET,
        rotation=rotation,
        ha="center",
        va="center",
        style="italic",
        zorder=5,
        path_effects=[withStroke(linewidth=2.2, foreground="white", alpha=0.85)],
    )


def polyline(
    axes: Axes, points: Array, colour: str, dashes: Iterable[float] | None, width: float
) -> None:
    """Draw the legs of a sound path."""
    axes.plot(
        points[:, 0],
        points[:, 1],
        color=colour,
        linewidth=width,
        linestyle="solid" if dashes is None else (0, tuple(dashes)),
        zorder=4,
    )
