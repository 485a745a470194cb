"""On which given triangle a face of the tetrahedra lies."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from raysim.waves.adjacency import Faces

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_COSINE = 0.9  # of the angle between a face and its triangle


def lying_on(points: Array, tets: Ints, faces: Faces, corners: Array, reach_m: float) -> Ints:
    """Triangle that bounds the air on each side of each face.

    A face lies on the boundary where its corners and its centre are within `reach_m` of
    triangles and it runs along the one at its centre. Of both sides of a sheet each side of the
    face takes the one whose normal points to it.

    Parameters
    ----------
    points : (p, 3) float, m
    tets : (t, 4) int
    faces : Faces
    corners : (m, 3, 3) float, m
        Triangles, normals into the air.
    reach_m : float

    Returns
    -------
    (f, 2) int
        Index of a triangle for the tetrahedra of `faces.beside`, -1 where the face lies on none
        that looks there.
    """
    normals = unit_normals(corners)
    on_boundary = np.zeros(len(points), bool)
    for _, found, _ in near_triangles(points, corners, normals, reach_m):
        on_boundary[found] = True
    candidates = np.flatnonzero(on_boundary[faces.corners].all(axis=1))
    face = points[faces.corners[candidates]]
    centre = face.mean(axis=1)
    along = unit_normals(face)
    to_first = points[tets[faces.beside[candidates, 0]]].mean(axis=1) - centre
    along *= np.sign((along * to_first).sum(axis=1))[:, None]
    best = np.full((len(candidates), 2), -1)
    nearest = np.full((len(candidates), 2), np.inf)
    for triangle, found, distance in near_triangles(centre, corners, normals, reach_m):
        cosine = along[found] @ normals[triangle]
        for side, sign in ((0, 1), (1, -1)):
            ok = (sign * cosine > LEAST_COSINE) & (distance < nearest[found, side])
            best[found[ok], side], nearest[found[ok], side] = triangle, distance[ok]
    sides = np.full((len(faces.corners), 2), -1)
    sides[candidates] = best
    return sides


def triangle_at(points: Array, triangle: Ints, corners: Array, reach_m: float) -> Ints:
    """Triangle that each point lies on, among those that look the same way.

    Parameters
    ----------
    points : (n, 3) float, m
    triangle : (n,) int
        A triangle near each point that looks the right way; kept where none is nearer.
    corners : (m, 3, 3) float, m
    reach_m : float

    Returns
    -------
    (n,) int
    """
    normals = unit_normals(corners)
    best, nearest = triangle.copy(), np.full(len(points), np.inf)
    for number, found, distance in near_triangles(points, corners, normals, reach_m):
        alike = normals[triangle[found]] @ normals[number] > LEAST_COSINE
        ok = alike & (distance < nearest[found])
        best[found[ok]], nearest[found[ok]] = number, distance[ok]
    return best


def unit_normals(corners: Array) -> Array:
    """(m, 3) of (m, 3, 3) triangles, by the right-hand rule."""
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(normals / np.linalg.norm(normals, axis=1, keepdims=True))


def near_triangles(
    points: Array, corners: Array, normals: Array, reach_m: float
) -> Iterator[tuple[int, Ints, Array]]:
    """For each triangle, points within reach of it and how far off its plane and rim they are."""
    tree = cKDTree(points)
    centres = corners.mean(axis=1)
    radii = np.linalg.norm(corners - centres[:, None], axis=2).max(axis=1) + reach_m
    rims = np.roll(corners, -1, axis=1) - corners
    outward = np.cross(rims, normals[:, None])
    outward /= np.linalg.norm(outward, axis=2, keepdims=True)
    for i, near in enumerate(tree.query_ball_point(centres, radii)):
        if not near:
            continue
        number = np.array(near)
        offset = points[number][:, None] - corners[i]
        height = np.abs(offset[:, 0] @ normals[i])
        beyond = np.einsum("pkx,kx->pk", offset, outward[i]).max(axis=1)
        ok = (height <= reach_m) & (beyond <= reach_m)
        yield i, number[ok], (height + np.maximum(beyond, 0.0))[ok]
