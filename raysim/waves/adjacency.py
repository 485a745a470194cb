"""Faces of tetrahedra and who shares them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CORNERS_OF_FACE = np.array([[1, 2, 3], [0, 2, 3], [0, 1, 3], [0, 1, 2]])


@dataclass(frozen=True)
class Faces:
    """Faces of a mesh of tetrahedra.

    Attributes
    ----------
    corners : (f, 3) int
        Points of each face, rising.
    beside : (f, 2) int
        Tetrahedra on both sides; the second is -1 at the hull.
    """

    corners: Ints
    beside: Ints

    def neighbours(self, closed: Bools, count: int) -> csr_array:
        """(count, count) graph of tetrahedra joined by faces that are not `closed`."""
        pairs = self.beside[~closed & (self.beside[:, 1] >= 0)]
        ones = np.ones(len(pairs), np.int8)
        return csr_array((ones, (pairs[:, 0], pairs[:, 1])), shape=(count, count))


def faces_of(tetrahedra: Ints) -> Faces:
    """Faces of (t, 4) tetrahedra."""
    each = np.sort(tetrahedra, axis=1)[:, CORNERS_OF_FACE].reshape(-1, 3)
    owner = np.repeat(np.arange(len(tetrahedra)), 4)
    corners, face, count = np.unique(each, axis=0, return_inverse=True, return_counts=True)
    order = np.argsort(face.reshape(-1), kind="stable")
    first = np.concatenate([[0], np.cumsum(count)])[:-1]
    beside = np.full((len(corners), 2), -1)
    beside[:, 0] = owner[order[first]]
    two = count == 2
    beside[two, 1] = owner[order[first[two] + 1]]
    return Faces(corners, beside)
