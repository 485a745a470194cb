"""Named triangles on their way from a file or a tape measure to a Scene."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Geometry:
    """Triangles with names, before facets and materials.

    Attributes
    ----------
    vertices : (n, 3) float, m
    triangles : (m, 3) int
    group : (m,) int
        Index into `names` and `owners`.
    names : tuple of str
        Surface names: 'floor', 'left', 'desk', ...
    owners : tuple of str
        For each name 'room' or the object it belongs to.
    sheet : (m,) bool
        One side of a free-standing sheet (see `Mesh.sheet`).
    notes : tuple of str
        What was guessed or repaired, one sentence each.
    """

    vertices: NDArray[np.float64]
    triangles: NDArray[np.int64]
    group: NDArray[np.int64]
    names: tuple[str, ...]
    owners: tuple[str, ...]
    sheet: NDArray[np.bool_]
    notes: tuple[str, ...] = ()
