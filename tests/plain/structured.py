"""Boxes of tetrahedra in rows, for checks of the elements without the mesher."""

from __future__ import annotations

import numpy as np
import skfem

from raysim.waves.elements import assemble
from raysim.waves.tetrahedra import Tetrahedra

# Faces of a box, as the numbers of their triangles: low and high x, y, z.
FACES = 6


def box_elements(size, cells):
    """Elements of a box of cells (3,) cuboids, six surfaces: low x, high x, low y, ..."""
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
    mesh = Tetrahedra(points, grid.t.T.copy(), outer, face, float(size.prod()), ())
    areas = np.repeat([size[1] * size[2], size[0] * size[2], size[0] * size[1]], 2)
    return assemble(mesh, lambda _points, triangle: triangle, areas)
