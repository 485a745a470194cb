"""Convex bodies in the air of a room that sound goes into, as hulls of triangles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, HalfspaceIntersection

from raysim.waves.closing import SLIT_M
from raysim.waves.tags import near_triangles, unit_normals

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_COSINE = 0.999  # between a face and the wall it stands at
FLAT_M = 1e-5
DIGITS = 7


def hulls_of(bodies: Sequence[Array], walls: Array) -> tuple[list[Array], float]:
    """Bodies, those of their faces that all but touch a wall pushed to it.

    Parameters
    ----------
    bodies : sequence of (k, 3) float, m
        Corners.
    walls : (m, 3, 3) float, m
        Triangles around the air; normals point into it.

    Returns
    -------
    hulls : list of (t, 3, 3) float, m
        Triangles of each body, outwards.
    widest_m : float
        Of the slits closed, 0 for none.
    """
    hulls, widest = [], 0.0
    normals = unit_normals(walls)
    for corners in bodies:
        planes = np.unique(np.round(ConvexHull(corners).equations, DIGITS), axis=0)
        for plane in planes:
            on_face = corners[np.abs(corners @ plane[:3] + plane[3]) < FLAT_M]
            facing = normals @ plane[:3] < -LEAST_COSINE
            slit = _slit(on_face, walls[facing], normals[facing])
            if slit is not None:
                plane[3] -= slit
                widest = max(widest, slit)
        made = HalfspaceIntersection(planes, corners.mean(axis=0))
        hulls.append(_triangles(made.intersections))
    return hulls, widest


def _slit(points: Array, walls: Array, normals: Array) -> float | None:
    """Largest distance (n, 3) points have to walls; None where one is further off than a slit."""
    height = np.full(len(points), np.inf)
    for wall, found, _ in near_triangles(points, walls, normals, SLIT_M) if len(walls) else ():
        height[found] = np.minimum(height[found], (points[found] - walls[wall, 0]) @ normals[wall])
    return float(max(height.max(), 0.0)) if np.isfinite(height).all() else None


def with_hulls(vertices: Array, triangles: Ints, hulls: Sequence[Array]) -> tuple[Array, Ints]:
    """Vertices and triangles with those of bodies added."""
    for hull in hulls:
        triangles = np.vstack([triangles, len(vertices) + np.arange(3 * len(hull)).reshape(-1, 3)])
        vertices = np.vstack([vertices, hull.reshape(-1, 3)])
    return vertices, triangles


def body_at(points: Array, hulls: Sequence[Array]) -> Ints:
    """Body that each of (n, 3) points lies in, the first of several; -1 for none."""
    body = np.full(len(points), -1)
    for number, hull in reversed(list(enumerate(hulls))):
        normals = np.cross(hull[:, 1] - hull[:, 0], hull[:, 2] - hull[:, 0])
        depth = np.einsum("ntk,tk->nt", points[:, None] - hull[:, 0], normals)
        body[(depth < 0).all(axis=1)] = number
    return body


def _triangles(corners: Array) -> Array:
    """(t, 3, 3) triangles of the convex hull, normals outwards."""
    hull = ConvexHull(corners)
    triangles = hull.points[hull.simplices]
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    inward = np.einsum("tk,tk->t", normals, hull.equations[:, :3]) < 0
    triangles[inward] = triangles[inward][:, ::-1]
    return np.asarray(triangles)
