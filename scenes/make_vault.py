"""Make vault.obj, an invented rehearsal room of about 120 m3 under a doubly curved ceiling.

Metres, z up, right-handed: x to the right of someone who faces the front, y from the curved rear
wall to the front wall. More than 20,000 triangles. Run it as `python scenes/make_vault.py`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from writing import write_obj

from raysim.scene.geometry import Geometry
from raysim.scene.heal import heal

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

HALF_WIDTH, LENGTH, BULGE = 3.0, 6.0, 0.8
SPRING, RISE = 2.7, 0.8
ACROSS, ALONG, UPWARD = 104, 80, 20


def y_of_rear(x: Array) -> Array:
    """The rear wall bulges outwards as a parabola."""
    return -BULGE * (1 - (x / HALF_WIDTH) ** 2)


def ceiling() -> Array:
    """(along, across, 3) points of the vault: level at its rim, highest in the middle."""
    across, along = np.meshgrid(np.linspace(-1, 1, ACROSS + 1), np.linspace(0, 1, ALONG + 1))
    x = HALF_WIDTH * across
    y = y_of_rear(x) + along * (LENGTH - y_of_rear(x))
    z = SPRING + RISE * (1 - across**2) * np.sin(np.pi * along)
    return np.stack([x, y, z], axis=-1)


def rear_wall() -> Array:
    """(upward, across, 3) points of the curved wall."""
    across, upward = np.meshgrid(np.linspace(-1, 1, ACROSS + 1), np.linspace(0, 1, UPWARD + 1))
    x = HALF_WIDTH * across
    return np.stack([x, y_of_rear(x), SPRING * upward], axis=-1)


def cut_grid(points: Array) -> Array:
    """(k, 3, 3) triangles of a grid, diagonals alternating like a chequerboard."""
    a, b = points[:-1, :-1], points[:-1, 1:]
    c, d = points[1:, 1:], points[1:, :-1]
    even = np.indices(a.shape[:2]).sum(axis=0) % 2 == 0
    one = np.where(even[..., None, None], np.stack([a, b, c], 2), np.stack([a, b, d], 2))
    two = np.where(even[..., None, None], np.stack([a, c, d], 2), np.stack([b, c, d], 2))
    return np.concatenate([one.reshape(-1, 3, 3), two.reshape(-1, 3, 3)])


def cut_flat(outline: Array, axis: int) -> Array:
    """(k, 3, 3) triangles of a flat polygon square to an axis."""
    level = float(outline[0, axis])
    polygon = shapely.Polygon(np.delete(outline, axis, axis=1))
    parts = shapely.get_parts(shapely.constrained_delaunay_triangles(polygon))
    corners = np.array([part.exterior.coords[:3] for part in parts])
    return np.insert(corners, axis, level, axis=2)


def vault() -> Geometry:
    """The empty room, healed: triangles that share all their vertices."""
    over, rear = ceiling(), rear_wall()
    corner_left, corner_right = [-HALF_WIDTH, LENGTH, 0.0], [HALF_WIDTH, LENGTH, 0.0]
    surfaces = {
        "vault": cut_grid(over),
        "rear_wall": cut_grid(rear),
        "floor": cut_flat(np.array([*rear[0], corner_right, corner_left]), axis=2),
        "left_wall": cut_flat(np.array([*over[:, 0], corner_left, [-HALF_WIDTH, 0, 0]]), axis=0),
        "right_wall": cut_flat(np.array([*over[:, -1], corner_right, [HALF_WIDTH, 0, 0]]), axis=0),
        "front_wall": cut_flat(np.array([*over[-1], corner_right, corner_left]), axis=1),
    }
    corners = np.concatenate(list(surfaces.values()))
    return heal(
        Geometry(
            vertices=corners.reshape(-1, 3),
            triangles=np.arange(3 * len(corners), dtype=np.int64).reshape(-1, 3),
            group=np.repeat(np.arange(len(surfaces)), [len(part) for part in surfaces.values()]),
            names=tuple(surfaces),
            owners=("room",) * len(surfaces),
            sheet=np.zeros(len(corners), dtype=np.bool_),
        )
    )


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    write_obj(folder / "vault.obj", vault(), "rehearsal room", Path(__file__).name)
