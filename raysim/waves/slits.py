"""Thin sheets: points doubled so that the air on both sides isn't joined through them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from raysim.waves.adjacency import Faces, faces_of

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

EDGES_OF_FACE = np.array([[0, 1], [1, 2], [0, 2]])


def doubled(tets: Ints, closed: Bools, faces: Faces) -> tuple[Ints, Ints]:
    """Tetrahedra of the air with points doubled along closed faces.

    Around each point of a sheet the tetrahedra that reach each other without crossing it share
    one copy of the point; so the free rim is not doubled, and a sheet that meets a wall is.

    Parameters
    ----------
    tets : (t, 4) int
        Of the air only.
    closed : (f,) bool
        Faces that sound doesn't pass.
    faces : Faces
        Of `tets`.

    Returns
    -------
    tets : (t, 4) int
        With the new numbers of points.
    origin : (p,) int
        Which of the old points each new one is.
    """
    sheet = closed & (faces.beside[:, 1] >= 0)
    touched = np.zeros(tets.max() + 1, bool)
    touched[faces.corners[sheet].ravel()] = True
    # A node is a corner of a tetrahedron; nodes of one point join across open faces.
    corner_of = {
        (t, p): 4 * t + k
        for t, k in zip(*np.nonzero(touched[tets]), strict=True)
        for p in (int(tets[t, k]),)
    }
    pairs = [
        (corner_of[int(a), int(p)], corner_of[int(b), int(p)])
        for corners, (a, b) in zip(faces.corners[~closed], faces.beside[~closed], strict=True)
        if b >= 0
        for p in corners
        if touched[p]
    ]
    first = np.where(touched[tets], 4 * np.arange(len(tets))[:, None] + np.arange(4), -1)
    label = np.where(first >= 0, first + len(touched), tets)
    if pairs:
        a, b = np.array(pairs).T
        graph = coo_array((np.ones(len(a), np.int8), (a, b)), shape=(4 * len(tets),) * 2)
        group = connected_components(graph, directed=False)[1].reshape(-1, 4)
        label = np.where(first >= 0, group + len(touched), tets)
    _, at, new = np.unique(label, return_index=True, return_inverse=True)
    return np.asarray(new.reshape(-1, 4)), tets.ravel()[at]


def unopened_edges(closed: Bools, faces: Faces, copies: Ints) -> Ints:
    """(e, 2) edges inside a sheet between two points that weren't doubled.

    Parameters
    ----------
    copies : (p,) int
        Copies of each point.
    """
    sheet = faces.corners[closed & (faces.beside[:, 1] >= 0)]
    edges = sheet[:, EDGES_OF_FACE].reshape(-1, 2)
    edges, count = np.unique(edges, axis=0, return_counts=True)
    return np.asarray(edges[(count > 1) & (copies[edges] == 1).all(axis=1)])


def bisected(points: Array, tets: Ints, edges: Ints) -> tuple[Array, Ints]:
    """Put a point in the middle of each of (e, 2) edges, which splits the tetrahedra around."""
    for a, b in edges:
        around = (tets == a).any(axis=1) & (tets == b).any(axis=1)
        middle = len(points)
        points = np.vstack([points, (points[a] + points[b]) / 2])
        one, other = tets[around].copy(), tets[around].copy()
        one[one == a] = middle
        other[other == b] = middle
        tets = np.vstack([tets[~around], one, other])
    return points, tets


def of_air(points: Array, tets: Ints) -> tuple[Array, Ints, Faces]:
    """Points that tetrahedra use, renumbered, and their faces."""
    used, new = np.unique(tets, return_inverse=True)
    tets = np.asarray(new.reshape(-1, 4))
    return points[used], tets, faces_of(tets)
