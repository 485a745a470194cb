"""Flat polygons with names, welded and triangulated into a closed geometry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from raysim.errors import SceneError
from raysim.scene.geometry import Geometry

Array = NDArray[np.float64]

WELD_M = 1e-5
LEAST_AREA_M2 = 1e-8


@dataclass(frozen=True)
class Face:
    """A flat part of the boundary, before it is cut into triangles.

    Attributes
    ----------
    name, owner : str
        As in `Geometry`.
    origin : (3,) float, m
    u, v, normal : (3,) float
        Orthonormal; the normal points into the air. u x v may be either sign of it.
    region : shapely geometry
        Polygon or several, in coordinates (u, v) in m.
    """

    name: str
    owner: str
    origin: Array
    u: Array
    v: Array
    normal: Array
    region: BaseGeometry

    def lift(self, plane: Array) -> Array:
        """(n, 2) coordinates (u, v) to (n, 3) points."""
        return np.asarray(self.origin + plane[:, :1] * self.u + plane[:, 1:] * self.v)

    def drop(self, points: Array) -> Array:
        """(n, 3) points to (n, 2) coordinates (u, v)."""
        return np.stack([(points - self.origin) @ self.u, (points - self.origin) @ self.v], axis=-1)


def polygons(region: BaseGeometry) -> list[Polygon]:
    """Polygons of a region that are more than a sliver, edges shorter than the weld removed."""
    parts = [g for g in shapely.get_parts(region) if g.geom_type == "Polygon"]
    solid = [g for g in parts if not g.buffer(-WELD_M, join_style="mitre").is_empty]
    return [shapely.set_precision(g, 0.0) for g in solid if g.area > LEAST_AREA_M2]


def geometry_of(faces: Sequence[Face], notes: tuple[str, ...] = ()) -> Geometry:
    """Weld the faces' corners, share every vertex along common edges, cut into triangles.

    Returns
    -------
    Geometry
        Closed: every directed edge is met by one of opposite direction.

    Raises
    ------
    SceneError
        Where the faces don't close.
    """
    pieces = [(face, part) for face in faces for part in polygons(face.region)]
    rings = [
        (face.lift(np.asarray(ring.coords)[:-1]), index)
        for index, (face, part) in enumerate(pieces)
        for ring in (part.exterior, *part.interiors)
    ]
    vertices, chains = _weld([points for points, _ in rings])
    chains = [_with_vertices_on_edges(chain, vertices) for chain in chains]

    names = list(dict.fromkeys(face.name for face in faces))
    owners = {face.name: face.owner for face in faces}
    triangles: list[NDArray[np.int64]] = []
    group: list[int] = []
    for index, (face, _) in enumerate(pieces):
        own = [chain for chain, (_, piece) in zip(chains, rings, strict=True) if piece == index]
        cut = _triangulate(face, own, vertices)
        triangles.extend(cut)
        group.extend([names.index(face.name)] * len(cut))

    geometry = Geometry(
        vertices=vertices,
        triangles=np.array(triangles, dtype=np.int64).reshape(-1, 3),
        group=np.array(group, dtype=np.int64),
        names=tuple(names),
        owners=tuple(owners[name] for name in names),
        sheet=np.zeros(len(triangles), dtype=np.bool_),
        notes=notes,
    )
    _refuse_open(geometry)
    return geometry


def open_edges(geometry: Geometry) -> NDArray[np.int64]:
    """(n, 2) directed edges that no edge of the opposite direction meets."""
    t = geometry.triangles
    edges = np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]])
    low, high = edges.min(axis=1), edges.max(axis=1)
    keys, where = np.unique(np.stack([low, high], axis=1), axis=0, return_inverse=True)
    balance = np.bincount(where.ravel(), weights=np.where(edges[:, 0] == low, 1, -1))
    return np.asarray(keys[balance != 0])


def _refuse_open(geometry: Geometry) -> None:
    left = open_edges(geometry)
    if len(left):
        x, y, z = geometry.vertices[left[0]].mean(axis=0)
        raise SceneError(
            f"room: the faces do not close along {len(left)} edges near "
            f"({x:.2f}, {y:.2f}, {z:.2f}) m; move what touches there by a few millimetres"
        )


def _weld(rings: list[Array]) -> tuple[Array, list[list[int]]]:
    """Points nearer than the weld become one; returns vertices and rings of indices."""
    points = np.concatenate(rings)
    label = np.arange(len(points))
    for a, b in sorted(cKDTree(points).query_pairs(WELD_M)):
        label[b] = min(label[b], label[a])
    label = label[label]
    kept, index = np.unique(label, return_inverse=True)
    ends = np.cumsum([len(r) for r in rings])[:-1]
    chains = [
        [int(i) for n, i in enumerate(chain) if i != chain[n - 1]]
        for chain in np.split(index.ravel(), ends)
    ]
    return points[kept], chains


def _with_vertices_on_edges(chain: list[int], vertices: Array) -> list[int]:
    """The ring with every vertex of other faces that lies on one of its edges put in."""
    whole: list[int] = []
    for start, end in zip(chain, chain[1:] + chain[:1], strict=True):
        whole.append(start)
        along = vertices[end] - vertices[start]
        length = np.linalg.norm(along)
        offset = vertices - vertices[start]
        t = offset @ along / length
        apart = np.linalg.norm(offset - np.outer(t / length, along), axis=1)
        on = np.flatnonzero((apart < WELD_M) & (t > WELD_M) & (t < length - WELD_M))
        whole.extend(int(i) for i in on[np.argsort(t[on])])
    return whole


def _triangulate(face: Face, chains: list[list[int]], vertices: Array) -> list[NDArray[np.int64]]:
    """Triangles (vertex indices) of one polygon with holes, wound about the face's normal."""
    plane = [face.drop(vertices[chain]) for chain in chains]
    index = {
        tuple(uv): i
        for uvs, c in zip(plane, chains, strict=True)
        for uv, i in zip(uvs, c, strict=True)
    }
    polygon = Polygon(plane[0], plane[1:])
    if not polygon.is_valid:
        x, y, z = face.lift(np.array([polygon.centroid.coords[0]]))[0]
        raise SceneError(
            f"{face.name}: its outline touches or crosses itself near "
            f"({x:.2f}, {y:.2f}, {z:.2f}) m; move what meets there apart by a few millimetres"
        )
    forward = float(np.cross(face.u, face.v) @ face.normal) > 0
    triangles = []
    for triangle in shapely.get_parts(shapely.constrained_delaunay_triangles(polygon)):
        corners = np.asarray(triangle.exterior.coords)[:3]
        (ax, ay), (bx, by), (cx, cy) = corners
        counterclockwise = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax) > 0
        order = corners if counterclockwise == forward else corners[::-1]
        triangles.append(np.array([index[tuple(c)] for c in order], dtype=np.int64))
    return triangles


def same_plane(face: Face, other: Face) -> bool:
    """Whether two faces share their frame's origin and normal."""
    return bool(np.allclose(face.origin, other.origin) and np.allclose(face.normal, other.normal))
