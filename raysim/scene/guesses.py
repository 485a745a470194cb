"""Unit and upward axis of a mesh, where its file does not tell."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SceneError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

METRES = {"m": 1.0, "mm": 0.001, "cm": 0.01, "in": 0.0254, "ft": 0.3048}
RARITY = {"m": 0.0, "mm": 0.0, "cm": 0.5, "in": 1.0, "ft": 1.0}
"""How much less usual a unit is, in squared natural logarithms of volume over two."""

SHORTEST_M, LONGEST_M = 1.5, 60.0
TYPICAL_BOX_M3 = 60.0
CLEARLY = 1.5
LOWEST_M, HIGHEST_M = 1.8, 6.0
CLEARLY_LEVEL = 1.3


def guess_unit(name: str, extent: Array, stated: str | None = None) -> tuple[str, str]:
    """Most likely unit of a room's mesh, and a sentence that says so.

    A unit fits where every side of the bounding box is 1.5 to 60 m; of several that fit the one is
    taken whose box is nearest to 60 m3 on a logarithmic scale, unusual units held back a little.

    Parameters
    ----------
    name : str
        Of the file, for the message.
    extent : (3,) float
        Sides of the bounding box in the file's numbers.
    stated : str, optional
        What the format says; taken if it fits.

    Raises
    ------
    SceneError
        No unit fits.
    """
    fits = {}
    for unit, metres in METRES.items():
        sides = extent * metres
        if (sides >= SHORTEST_M).all() and (sides <= LONGEST_M).all():
            away = np.log(sides.prod() / TYPICAL_BOX_M3)
            fits[unit] = float(away**2 / 2 + RARITY[unit])
    size = " x ".join(f"{side:.4g}" for side in extent)
    if not fits:
        raise SceneError(
            f"{name}: its box is {size} in the file's numbers, which is a room of "
            f"{SHORTEST_M:g} to {LONGEST_M:g} m a side in none of {', '.join(METRES)}; "
            "check the export, or give room.unit"
        )
    order = sorted(fits, key=lambda unit: fits[unit])
    unit = stated if stated in fits else order[0]
    shown = " x ".join(f"{side:.2f}" for side in extent * METRES[unit])
    if unit == stated:
        return unit, f"read in {unit}, as its format says: {shown} m"
    rival = next((u for u in order if u != unit and fits[u] - fits[unit] < CLEARLY), None)
    doubt = f"; {rival} would fit as well" if rival else ""
    if unit == "m":
        return unit, f"read in m: {shown} m{doubt}; give room.unit if that is wrong"
    return unit, (
        f"read in {unit}: {shown} m (in m the room would be {_long(float(extent.max()))} long)"
        f"{doubt}; give room.unit if that is wrong"
    )


def _long(metres: float) -> str:
    return f"{metres / 1000:.3g} km" if metres >= 1000 else f"{metres:.3g} m"


def guess_up(
    corners: Array, group: Ints, names: Sequence[str], stated: str | None = None
) -> tuple[str, str]:
    """Axis that points up, and a sentence that says why.

    Surfaces named floor and ceiling decide, else the format, else y is up only where its extent
    is 1.8 to 6 m and clearly more area is level about it than about z.

    Parameters
    ----------
    corners : (m, 3, 3) float, m
    group, names
        As in `Geometry`.
    stated : str, optional
        What the format says.
    """
    named = _from_floor_to_ceiling(corners, group, names)
    if named is not None:
        return named, f"{named} is up, by its surfaces named floor and ceiling{_meaning(named)}"
    if stated is not None:
        return stated, f"{stated} is up, as its format says{_meaning(stated)}"
    extent = np.ptp(corners.reshape(-1, 3), axis=0)
    doubled = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    level = np.abs(doubled).sum(axis=0)
    y_fits, z_fits = ((LOWEST_M <= extent[k] <= HIGHEST_M) for k in (1, 2))
    ratio = level[1] / max(level[2], 1e-12)
    override = "give room.up if that is wrong"
    if y_fits and (ratio > CLEARLY_LEVEL or not z_fits):
        return "y", f"y is up, by height and level faces{_meaning('y')}; {override}"
    if ratio < 1 / CLEARLY_LEVEL or not y_fits:
        return "z", f"z is up, by height and level faces; {override}"
    return "z", f"z is taken as up, y would fit as well; {override}"


def _meaning(up: str) -> str:
    shown = {"x": "(y, z, x)", "y": "(x, -z, y)", "z": ""}[up]
    return f" (its point (x, y, z) is {shown} here)" if shown else ""


def _from_floor_to_ceiling(corners: Array, group: Ints, names: Sequence[str]) -> str | None:
    floor = np.array(["floor" in name.lower() for name in names])[group]
    ceiling = np.array(["ceiling" in name.lower() for name in names])[group]
    if not floor.any() or not ceiling.any():
        return None
    rise = corners[ceiling].mean(axis=(0, 1)) - corners[floor].mean(axis=(0, 1))
    axis = int(np.abs(rise).argmax())
    return "xyz"[axis] if rise[axis] > 0 else None


def turned_up(vertices: Array, up: str) -> Array:
    """(n, 3) points turned so that z is up, axes still right-handed."""
    x, y, z = vertices.T
    if up == "y":
        return np.stack([x, -z, y], axis=1)
    if up == "x":
        return np.stack([y, z, x], axis=1)
    return vertices
