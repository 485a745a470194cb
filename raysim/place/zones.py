"""The head and the corners of where it moves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.scene.data import Scene
from raysim.scene.inside import is_clear

Array = NDArray[np.float64]

CLEAR_M = 0.01
HALVINGS = 5
_SIGNS = np.vstack([np.zeros(3), np.indices((2, 2, 2)).reshape(3, -1).T * 2.0 - 1.0])


def zone_points(scene: Scene, seats: Array, zone: Array) -> Array:
    """(seats, 9, 3) heads and corners of their zones, which are drawn in to the air.

    Parameters
    ----------
    scene : Scene
    seats : (seats, 3) float, m
    zone : (3,) float, m
        Half its size.
    """
    offsets = np.broadcast_to(_SIGNS * zone, (len(seats), *_SIGNS.shape)).copy()
    for halving in range(HALVINGS + 1):
        points = seats[:, None] + offsets
        out = ~is_clear(scene, points.reshape(-1, 3), CLEAR_M).reshape(points.shape[:2])
        out[:, 0] = False
        if not out.any():
            break
        offsets[out] *= 0.5 if halving < HALVINGS else 0.0
    return np.asarray(seats[:, None] + offsets)


def is_drawn_in(scene: Scene, seat: Array, zone: Array) -> bool:
    """Whether part of a head's zone lies outside the air."""
    return not np.allclose(zone_points(scene, seat[None], zone)[0], seat + _SIGNS * zone)
