"""Modes of a room with vertical walls and a level ceiling by finite volumes on a square grid.

The plan is cut by the grid: a cell counts with the area that lies inside and a face between two
cells with the length that lies inside, so that no wall is a staircase. Up the height the modes
are cosines. Nothing here is shared with the elements.
"""

from __future__ import annotations

import numpy as np
import shapely
from scipy.sparse import coo_array, diags_array
from scipy.sparse.linalg import eigsh

LEAST = 0.02  # of a cell; smaller ones are left out


def frequencies(outline, height, step, speed, below_hz):
    """Frequencies of the rigid room, rising, without zero."""
    plan = shapely.Polygon(outline)
    shapely.prepare(plan)
    x0, y0, x1, y1 = plan.bounds
    x = np.arange(x0, x1 + step, step)
    y = np.arange(y0, y1 + step, step)
    i, j = (n.ravel() for n in np.indices((len(x) - 1, len(y) - 1)))
    cells = shapely.box(x[i], y[j], x[i + 1], y[j + 1])
    area = shapely.area(shapely.intersection(cells, plan)).reshape(len(x) - 1, len(y) - 1)
    kept = area > LEAST * step**2
    number = np.full(kept.shape, -1)
    number[kept] = np.arange(kept.sum())
    count = int(kept.sum())
    rows, columns, values = [], [], []
    for axis in (0, 1):
        low = number[:-1] if axis == 0 else number[:, :-1]
        high = number[1:] if axis == 0 else number[:, 1:]
        both = (low >= 0) & (high >= 0)
        a, b = np.nonzero(both)
        if axis == 0:
            ends = (x[a + 1], y[b]), (x[a + 1], y[b + 1])
        else:
            ends = (x[a], y[b + 1]), (x[a + 1], y[b + 1])
        faces = shapely.linestrings(np.stack([np.column_stack(end) for end in ends], axis=1))
        open_share = shapely.length(shapely.intersection(faces, plan)) / step
        rows.append(low[both])
        columns.append(high[both])
        values.append(open_share)
    r, c, v = (np.concatenate(part) for part in (rows, columns, values))
    joined = coo_array((v, (r, c)), shape=(count, count)).tocsr()
    joined = joined + joined.T
    flow = diags_array(joined.sum(axis=1)) - joined
    mass = diags_array(area[kept])
    k2 = (2 * np.pi * below_hz / speed) ** 2
    modes = int(plan.area * k2 / (4 * np.pi) + plan.length * np.sqrt(k2) / (4 * np.pi)) + 6
    across = eigsh(flow.tocsc(), k=modes, M=mass.tocsc(), sigma=-0.01, return_eigenvectors=False)
    up = (np.arange(10) * np.pi / height) ** 2
    squared = np.add.outer(np.maximum(across, 0), up).ravel()
    squared = squared[(squared > 1e-3) & (squared < k2)]
    return np.sqrt(np.sort(squared)) * speed / (2 * np.pi)
