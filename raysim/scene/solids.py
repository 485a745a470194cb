"""Convex bodies: how far one reaches into another, and their triangles."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from raysim.scene.data import Facet
from raysim.scene.geometry import Geometry

Array = NDArray[np.float64]
Rect = tuple[float, float, float, float]

SAME_AXIS = 1e-7


@dataclass(frozen=True)
class Solid:
    """Convex body.

    Attributes
    ----------
    corners : (n, 3) float, m
    normals : (k, 3) float
        Unit normals of its faces, opposite ones once.
    edges : (e, 3) float
        Unit directions of its edges, parallel ones once.
    """

    corners: Array
    normals: Array
    edges: Array

    @cached_property
    def bounds(self) -> tuple[Array, Array]:
        """Lowest and highest coordinates."""
        return self.corners.min(axis=0), self.corners.max(axis=0)


def solid(corners: Array) -> Solid:
    """Body spanned by (n, 3) points that don't lie in one plane."""
    lines = edge_lines(corners)
    normals = ConvexHull(corners).equations[:, :3]
    return Solid(corners, _distinct(normals), _distinct(lines[:, 1] - lines[:, 0]))


def brick(corners: Array) -> Solid:
    """The `solid` of a box, its (8, 3) corners as `slab` and `upright` give them."""
    axes = corners[[1, 3, 4]] - corners[0]
    axes = axes / np.linalg.norm(axes, axis=1, keepdims=True)
    return Solid(corners, axes, axes)


def edge_lines(corners: Array) -> Array:
    """(e, 2, 3) ends of the edges of the body spanned by (n, 3) points."""
    hull = ConvexHull(corners)
    edges = set()
    for triangle, around, plane in zip(hull.simplices, hull.neighbors, hull.equations, strict=True):
        for opposite in range(3):
            if plane[:3] @ hull.equations[around[opposite], :3] < 1 - SAME_AXIS:
                a, b = sorted(int(k) for k in np.delete(triangle, opposite))
                edges.add((a, b))
    return np.asarray(corners[np.array(sorted(edges))])


def slab(facet: Facet, rect: Rect, low_m: float, high_m: float) -> Array:
    """(8, 3) corners of a box over a rectangle of a facet, between two distances from it."""
    u0, v0, u1, v1 = rect
    return np.array(
        [
            facet.origin + u * facet.u + v * facet.v + n * facet.normal
            for n in (low_m, high_m)
            for u, v in ((u0, v0), (u1, v0), (u1, v1), (u0, v1))
        ]
    )


def upright(plan: Array, low_m: float, high_m: float) -> Array:
    """(2k, 3) corners of a body over a plan (k, 2)."""
    return np.concatenate([np.c_[plan, np.full(len(plan), z)] for z in (low_m, high_m)])


def reach_into(body: Solid, other: Solid) -> float:
    """Shortest way in m to move a body out of another; negative where they are apart.

    Separating axes of convex polyhedra (Ericson 2005, 5.2): normals of both, and the cross
    products of their edges.
    """
    axes = np.concatenate([body.normals, other.normals, _crossed(body.edges, other.edges)])
    one, two = body.corners @ axes.T, other.corners @ axes.T
    overlap = np.minimum(one.max(axis=0) - two.min(axis=0), two.max(axis=0) - one.min(axis=0))
    return float(overlap.min())


def reach_into_triangles(body: Solid, triangles: Array) -> Array:
    """`reach_into` of each of (m, 3, 3) flat triangles; -inf for those far away."""
    low, high = body.bounds
    near = ((triangles.max(axis=1) >= low) & (triangles.min(axis=1) <= high)).all(axis=1)
    depths = np.full(len(triangles), -np.inf)
    for k in np.flatnonzero(near):
        a, b, c = triangles[k]
        edges = _distinct(np.array([b - a, c - b, a - c]))
        normal = np.cross(b - a, c - a)
        normal /= np.linalg.norm(normal)
        sides = np.cross(edges, normal)
        flat = Solid(triangles[k], np.concatenate([normal[None], sides]), edges)
        depths[k] = reach_into(body, flat)
    return depths


def distance_to(body: Solid, point: Array) -> float:
    """Distance of a point along the axis that parts it best from a body; negative inside, m.

    Off edges and corners the true distance is larger.
    """
    along = body.corners @ body.normals.T
    place = body.normals @ point
    return float(np.maximum(along.min(axis=0) - place, place - along.max(axis=0)).max())


def geometry_of_body(name: str, corners: Array) -> Geometry:
    """A convex body as closed triangles, normals outwards."""
    hull = ConvexHull(corners)
    triangles = hull.simplices.astype(np.int64)
    a, b, c = corners[triangles].transpose(1, 0, 2)
    turned = np.einsum("ij,ij->i", np.cross(b - a, c - a), hull.equations[:, :3]) < 0
    triangles[turned] = triangles[turned][:, ::-1]
    count = len(triangles)
    return Geometry(
        vertices=np.asarray(corners, dtype=np.float64),
        triangles=triangles,
        group=np.zeros(count, dtype=np.int64),
        names=(name,),
        owners=(name,),
        sheet=np.zeros(count, dtype=np.bool_),
    )


def _distinct(vectors: Array) -> Array:
    """Unit vectors without repetitions and opposites."""
    kept: list[Array] = []
    for vector in vectors:
        length = float(np.linalg.norm(vector))
        if length < 1e-12:
            continue
        unit = vector / length
        if all(abs(unit @ other) < 1 - SAME_AXIS for other in kept):
            kept.append(unit)
    return np.array(kept)


def _crossed(one: Array, other: Array) -> Array:
    crossed = np.cross(one[:, None], other[None]).reshape(-1, 3)
    lengths = np.linalg.norm(crossed, axis=1)
    usable = lengths > 1e-6
    return np.asarray(crossed[usable] / lengths[usable, None])
