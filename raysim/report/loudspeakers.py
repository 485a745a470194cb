"""Loudspeakers that beam: level around each by angle, and how much it beams."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.loudspeakers.directivity import Directivity
from raysim.report import style
from raysim.scene.data import Scene

Array = NDArray[np.float64]
Plane = Literal["horizontal", "vertical", "any"]

DEPTH_DB, RING_DB = 30.0, 6.0
HEIGHT_IN = 3.45
SAME_PLANES_DB = 0.01
LABELS_AT = np.radians(60)
TITLES = {
    "horizontal": "seen from above",
    "vertical": "seen from its right",
    "any": "alike all round its axis",
}


@dataclass(frozen=True)
class Kind:
    """A loudspeaker and the sources that are one."""

    names: tuple[str, ...]
    directivity: Directivity


def kinds(scene: Scene) -> list[Kind]:
    """Loudspeakers of a scene, those of equal directivity joined; omnidirectional ones left out."""
    found: list[Kind] = []
    for source in scene.sources:
        own = source.directivity
        if own is None:
            continue
        for k, kind in enumerate(found):
            if kind.directivity.origin == own.origin and np.array_equal(
                kind.directivity.energy, own.energy
            ):
                found[k] = Kind((*kind.names, source.name), own)
                break
        else:
            found.append(Kind((source.name,), own))
    return found


def panels(scene: Scene) -> list[tuple[str, Callable[[Axes], None]]]:
    """What each panel shows, and how to draw it: one a plane, or one if the planes are alike."""
    drawn: list[tuple[str, Callable[[Axes], None]]] = []
    for kind in kinds(scene):
        bands = _shown_bands(scene, kind.directivity)
        if not bands:
            continue
        labels = [band_name(scene.bands_hz[b]) for b in bands]
        across, upward = kind.directivity.horizontal_db[1], kind.directivity.vertical_db[1]
        alike = np.abs(across - upward).max() < SAME_PLANES_DB
        planes: tuple[Plane, ...] = ("any",) if alike else ("horizontal", "vertical")
        for plane in planes:
            angle, level = (
                kind.directivity.vertical_db
                if plane == "vertical"
                else kind.directivity.horizontal_db
            )
            title = f"{style.short(', '.join(kind.names), 20)}, {TITLES[plane]}"

            def draw(
                axes: Axes,
                angle: Array = angle,
                level: Array = level[:, bands],
                labels: list[str] = labels,
                title: str = title,
                plane: Plane = plane,
            ) -> None:
                draw_around(axes, angle, level, labels, title, plane)

            drawn.append((f"Level around {', '.join(kind.names)} {TITLES[plane]}", draw))
    return drawn


def index_rows(scene: Scene) -> list[dict[str, object]]:
    """Name, origin and directivity index by band of each loudspeaker, as text."""
    return [
        {
            "name": ", ".join(kind.names),
            "origin": kind.directivity.origin,
            "cells": [
                f"{index:.1f}" if sounds else "–"
                for index, sounds in zip(
                    kind.directivity.index_db,
                    kind.directivity.plays(scene.bands_hz),
                    strict=True,
                )
            ],
        }
        for kind in kinds(scene)
    ]


def draw_around(
    axes: Axes, angle_deg: Array, level_db: Array, labels: list[str], title: str, plane: Plane
) -> None:
    """Closed curves of level re the axis, one a band.

    The axis points up, or to the right in the vertical plane, where up is up. Rings are 6 dB
    apart; 30 dB below the outer one is the middle.

    Parameters
    ----------
    angle_deg : (n,) float
        From the axis, to the right or up.
    level_db : (n, bands) float
    """
    top = RING_DB * np.ceil(max(0.0, level_db.max() - 1e-6) / RING_DB)
    radius = np.clip((level_db - top) / DEPTH_DB + 1, 0, None)
    turn = np.radians(np.append(angle_deg, angle_deg[0]))
    x, y = np.sin(turn), np.cos(turn)
    if plane == "vertical":
        x, y = y, x
    _rings(axes, top, plane)
    for band, label in enumerate(labels):
        look = style.look(band)
        out = np.append(radius[:, band], radius[0, band])
        axes.plot(
            out * x,
            out * y,
            color=look.colour,
            linestyle="solid" if look.dashes is None else (0, look.dashes),
            label=label,
            zorder=4,
        )
        mark = slice(band + 2, None, 12)
        axes.plot(
            (out * x)[mark], (out * y)[mark], look.marker, color=look.colour, markersize=3, zorder=5
        )
    axes.set_title(title, loc="center")
    axes.legend(
        loc="upper center", bbox_to_anchor=(0.5, 0.02), ncols=len(labels), columnspacing=1.0
    )


def _rings(axes: Axes, top: float, plane: Plane) -> None:
    axes.set_axis_off()
    axes.set_aspect("equal")
    axes.set_xlim(-1.22, 1.22)
    axes.set_ylim(-1.12, 1.14)
    for share in np.arange(RING_DB, DEPTH_DB + 1, RING_DB) / DEPTH_DB:
        outer = share > 1 - 1e-9
        axes.add_patch(
            Circle(
                (0, 0),
                share,
                facecolor="none",
                edgecolor=style.QUIET if outer else style.HAIRLINE,
                linewidth=0.7 if outer else 0.5,
                zorder=1,
            )
        )
        level = top + DEPTH_DB * (share - 1)
        axes.text(
            -share * np.sin(LABELS_AT),
            -share * np.cos(LABELS_AT),
            f"{level:+.0f} dB".replace("-", "−") if round(level) else "0 dB",
            fontsize=style.SMALL - 1,
            color=style.QUIET,
            ha="center",
            va="center",
            zorder=6,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
        )
    for turn in np.radians(np.arange(0, 360, 30)):
        line = np.outer([RING_DB / DEPTH_DB, 1.0], [np.sin(turn), np.cos(turn)])
        axes.plot(*line.T, color=style.HAIRLINE, linewidth=0.5, zorder=1)
    words = {"horizontal": ("aim", "right"), "vertical": ("up", "aim"), "any": ("aim", "")}
    above, beside = words[plane]
    axes.text(0, 1.03, above, fontsize=style.SMALL, ha="center", va="bottom")
    axes.text(1.03, 0, beside, fontsize=style.SMALL, ha="left", va="center")


def _shown_bands(scene: Scene, directivity: Directivity) -> list[int]:
    """As many of the bands that a loudspeaker plays as there are looks, spread over all."""
    played = [int(b) for b in np.flatnonzero(directivity.plays(scene.bands_hz))]
    count = min(len(played), len(style.LOOKS))
    return [played[round(k)] for k in np.linspace(0, len(played) - 1, count)]
