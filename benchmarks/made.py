"""Closed rooms of about 10 to 10^6 triangles: a box of 61 m3 and in it balls, ever finer cut."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

SIZE_M = (4.2, 5.4, 2.7)
BALLS = {12: (0, 0), 2_000: (6, 2), 20_000: (16, 3), 130_000: (25, 4), 1_000_000: (48, 5)}


def corners_of(triangles: int) -> NDArray[np.float64]:
    """(m, 3, 3) corners in m, normals into the air; `triangles` is a key of BALLS."""
    number, cut = BALLS[triangles]
    box = trimesh.creation.box(bounds=[(0, 0, 0), SIZE_M])
    parts = [box.triangles[:, ::-1]]
    random = np.random.default_rng(7)
    for _ in range(number):
        radius = random.uniform(0.05, 0.3)
        centre = random.uniform(np.full(3, radius), np.array(SIZE_M) - radius)
        ball = trimesh.creation.icosphere(subdivisions=cut, radius=radius)
        parts.append(ball.triangles + centre)
    return np.ascontiguousarray(np.concatenate(parts), dtype=np.float64)


def facets_of(corners: NDArray[np.float64]) -> NDArray[np.int64]:
    """Facet of each triangle: those of a wall share one, each of a ball is its own."""
    edge = corners[:12, 1:] - corners[:12, :1]
    wall = np.argmax(np.abs(np.cross(edge[:, 0], edge[:, 1])), axis=1)
    side = np.take_along_axis(corners[:12, 0], wall[:, None], axis=1)[:, 0] > 0
    return np.concatenate([2 * wall + side, np.arange(6, len(corners) - 6)])


def rays_in(number: int, seed: int = 1) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Origins and unit directions of incoherent rays in the box, (number, 3) each."""
    random = np.random.default_rng(seed)
    origin = random.uniform(np.full(3, 0.01), np.array(SIZE_M) - 0.01, (number, 3))
    direction = random.normal(size=(number, 3))
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    return origin.astype(np.float32), direction.astype(np.float32)
