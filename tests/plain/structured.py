"""Boxes of tetrahedra in rows, for checks of the elements without the mesher."""

from __future__ import annotations

import numpy as np
import skfem

from raysim.waves.elements import assemble
from raysim.waves.tetrahedra import Tetrahedra

# Faces of a box, as the numbers of their triangles: low and high x, y, z.
FACES = 6


def box_elements(size, cells, bodies=()):
    """Elements of a box of cells (3,) cuboids, six surfaces: low x, high x, low y, ...

    Bodies are boxes (low, high) along the cells.
    """
    size = np.asarray(size, float)
    steps = [np.linspace(0, length, n + 1) for length, n in zip(size, cells, strict=True)]
    grid = skfem.MeshTet.init_tensor(*steps)
    points = grid.p.T.copy()
    outer = grid.facets[:, grid.boundary_facets()].T
    centre = points[outer].mean(axis=1)
    beside = np.column_stack(
        [centre[:, 0], size[0] - centre[:, 0]]
        + [part for a in (1, 2) for part in (centre[:, a], size[a] - centre[:, a])]
    )
    face = beside.argmin(axis=1)
    corners = grid.t.T.copy()
    middle, body = points[corners].mean(axis=1), np.full(len(corners), -1)
    for number, (low, high) in enumerate(bodies):
        body[((middle > low) & (middle < high)).all(axis=1)] = number
    mesh = Tetrahedra(points, corners, outer, face, float(size.prod()), (), body)
    areas = np.repeat([size[1] * size[2], size[0] * size[2], size[0] * size[1]], 2)
    return assemble(mesh, lambda _points, triangle: triangle, areas)
