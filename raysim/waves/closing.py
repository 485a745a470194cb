"""Slits between a body and the wall it stands at, too narrow for a mesh of the bass."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.waves.tags import near_triangles, unit_normals

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SLIT_M = 0.02
BEHIND_M = 0.02  # so that the back of a body isn't taken for the wall


def without_slits(vertices: Array, triangles: Ints, body: Bools) -> tuple[Array, float]:
    """Push what a body has within 20 mm of a wall through that wall.

    Air in so narrow a slit is stiff: at 300 Hz its depth is a fiftieth of the wavelength, and
    what the body's back would absorb there is not heard in the room.

    Parameters
    ----------
    vertices : (n, 3) float, m
    triangles : (m, 3) int
        Normals point into the air.
    body : (m,) bool
        Triangles of closed bodies that stand in the room; the others are its walls.

    Returns
    -------
    vertices : (n, 3) float, m
    widest_m : float
        Of the slits closed, 0 for none.
    """
    walls = vertices[triangles[~body]]
    normals = unit_normals(walls)
    own = np.unique(triangles[body])
    moved, widest = vertices.copy(), 0.0
    if len(own) == 0 or len(walls) == 0:
        return moved, widest
    for wall, found, _ in near_triangles(vertices[own], walls, normals, SLIT_M):
        height = (moved[own[found]] - walls[wall, 0]) @ normals[wall]
        inside = height > -BEHIND_M / 2  # not pushed yet by another triangle of this wall
        moved[own[found[inside]]] -= (height[inside, None] + BEHIND_M) * normals[wall]
        widest = max(widest, float(height[inside].max(initial=0.0)))
    return moved, widest
