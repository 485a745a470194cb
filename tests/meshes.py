"""Small rooms as triangles, clean and spoilt, for the tests of reading and healing meshes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.scene.geometry import Geometry

Polygons = dict[str, list[Sequence[Sequence[float]]]]


def geometry(polygons: Polygons) -> Geometry:
    """Convex polygons by surface, corners counter-clockwise as seen from the air (z up, axes
    right-handed), as a Geometry that shares no vertices."""
    vertices: list[Sequence[float]] = []
    triangles, group = [], []
    for number, faces in enumerate(polygons.values()):
        for face in faces:
            first = len(vertices)
            vertices.extend(face)
            for k in range(1, len(face) - 1):
                triangles.append((first, first + k, first + k + 1))
                group.append(number)
    return Geometry(
        vertices=np.array(vertices, dtype=np.float64),
        triangles=np.array(triangles, dtype=np.int64),
        group=np.array(group, dtype=np.int64),
        names=tuple(polygons),
        owners=("room",) * len(polygons),
        sheet=np.zeros(len(triangles), dtype=np.bool_),
    )


def box(low: Sequence[float], high: Sequence[float], prefix: str = "") -> Polygons:
    """A box seen from inside: 'left' x low, 'right' x high, 'rear' y low, 'front' y high."""
    (x, y, z), (X, Y, Z) = low, high
    faces = {
        "floor": [(x, y, z), (X, y, z), (X, Y, z), (x, Y, z)],
        "ceiling": [(x, y, Z), (x, Y, Z), (X, Y, Z), (X, y, Z)],
        "left": [(x, y, z), (x, Y, z), (x, Y, Z), (x, y, Z)],
        "right": [(X, y, z), (X, y, Z), (X, Y, Z), (X, Y, z)],
        "rear": [(x, y, z), (x, y, Z), (X, y, Z), (X, y, z)],
        "front": [(x, Y, z), (X, Y, z), (X, Y, Z), (x, Y, Z)],
    }
    return {prefix + name: [face] for name, face in faces.items()}


def turned_out(polygons: Polygons) -> Polygons:
    """The same faces seen from the other side."""
    return {name: [list(face)[::-1] for face in faces] for name, faces in polygons.items()}


def attic() -> Polygons:
    """Attic 6.0 (y) by 4.2 m (x), knee walls 1.1 m, ridge 2.5 m along its length: 45.36 m3."""
    w, length, knee, ridge = 4.2, 6.0, 1.1, 2.5

    def gable(y: float) -> list[tuple[float, float, float]]:
        return [(0, y, 0), (0, y, knee), (w / 2, y, ridge), (w, y, knee), (w, y, 0)]

    near, far = gable(0.0), gable(length)
    names = ("left", "slope_left", "slope_right", "right", "floor")
    polygons: Polygons = {"rear": [near], "front": [far[::-1]]}
    for k, name in enumerate(names):
        a, b = near[k], near[(k + 1) % 5]
        c, d = far[(k + 1) % 5], far[k]
        polygons[name] = [[a, d, c, b]]
    return polygons


ATTIC_M3 = 6.0 * 4.2 * (1.1 + 2.5) / 2


def refined(given: Geometry, times: int = 1) -> Geometry:
    """Each triangle cut into four, `times` over; T-junctions do not arise."""
    vertices, triangles, group = given.vertices, given.triangles, given.group
    for _ in range(times):
        a, b, c = vertices[triangles].transpose(1, 0, 2)
        points = np.stack([a, b, c, (a + b) / 2, (b + c) / 2, (c + a) / 2], axis=1)
        base = 6 * np.arange(len(triangles))[:, None, None]
        local = np.array([[0, 3, 5], [3, 1, 4], [5, 4, 2], [3, 4, 5]])
        triangles = (base + local).reshape(-1, 3)
        vertices = points.reshape(-1, 3)
        group = np.repeat(group, 4)
    return Geometry(
        vertices,
        triangles,
        group,
        given.names,
        given.owners,
        np.zeros(len(triangles), dtype=np.bool_),
        given.notes,
    )


def volume_of(given: Geometry) -> float:
    """Enclosed air in m3 where normals point into it (divergence theorem)."""
    a, b, c = given.vertices[given.triangles].transpose(1, 0, 2)
    return float(-np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def area_of(given: Geometry) -> float:
    a, b, c = given.vertices[given.triangles].transpose(1, 0, 2)
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def numbered(given: Geometry, seed: int) -> Geometry:
    """Vertices, triangles and first corners in another order."""
    draw = np.random.default_rng(seed)
    place = draw.permutation(len(given.vertices))
    vertices = np.zeros_like(given.vertices)
    vertices[place] = given.vertices
    order = draw.permutation(len(given.triangles))
    shift = draw.integers(0, 3, len(order))
    columns = (np.arange(3) + shift[:, None]) % 3
    triangles: NDArray[np.int64] = np.take_along_axis(place[given.triangles[order]], columns, 1)
    return Geometry(
        vertices,
        triangles,
        given.group[order],
        given.names,
        given.owners,
        given.sheet[order],
        given.notes,
    )
