"""Where points are: in the air, in an object, outside, and how far from the nearest surface."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from raysim.scene.data import Scene
from raysim.scene.geometry import Geometry

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

AIR = "air"
OUTSIDE = "outside"
PAIRS_AT_ONCE = 200_000
ON_TRIANGLE = 1e-12
SLACK_M = 1e-6
CELL_M, LINK_M = 0.5, 0.15
SHY = 0.999
"""Of the distance to a surface: rounding."""


class Triangles(Protocol):
    """What has vertices (n, 3) in m and triangles (m, 3)."""

    @property
    def vertices(self) -> Array:
        """(n, 3) float, m."""

    @property
    def triangles(self) -> Ints:
        """(m, 3) int."""


def winding_number(corners: Array, points: Array) -> Array:
    """How often triangles surround points (sum of solid angles over 4 pi).

    Parameters
    ----------
    corners : (m, 3, 3) float, m
    points : (p, 3) float, m

    Returns
    -------
    (p,) float
        1 inside a closed surface whose normals point inwards, 0 outside, -1 where they point
        outwards; 0.5 on it. Solid angles by Van Oosterom and Strackee (1983), doi
        10.1109/TBME.1983.325207, from memory.
    """
    total = np.zeros(len(points))
    step = max(1, PAIRS_AT_ONCE // max(len(corners), 1))
    for first in range(0, len(points), step):
        some = points[first : first + step]
        a, b, c = (corners[None, :, k] - some[:, None] for k in range(3))
        la, lb, lc = (np.sqrt(np.einsum("pmk,pmk->pm", r, r)) for r in (a, b, c))
        triple = np.einsum("pmk,pmk->pm", a, np.cross(b, c))
        product = la * lb * lc
        below = (
            product
            + np.einsum("pmk,pmk->pm", a, b) * lc
            + np.einsum("pmk,pmk->pm", b, c) * la
            + np.einsum("pmk,pmk->pm", c, a) * lb
        )
        # on a triangle the solid angle jumps between plus and minus 2 pi: count the mean
        triple[(np.abs(triple) <= ON_TRIANGLE * product) & (below < 0)] = 0.0
        np.abs(below, out=below, where=triple == 0.0)
        total[first : first + step] = -np.arctan2(triple, below).sum(axis=1) / (2 * np.pi)
    return total


def locate(room: Geometry | Scene, points: Array) -> list[str]:
    """What each point lies in.

    Parameters
    ----------
    room : Geometry or Scene
        Normals into the air; the air closed, as `heal` and tape-measured rooms leave it.
    points : (p, 3) float, m

    Returns
    -------
    list of str
        'air', 'outside', or the name of the object the point is in.
    """
    corners, owner, names = _owned(room)
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    in_air = winding_number(corners, points) > 0.5
    where = [AIR if yes else OUTSIDE for yes in in_air]
    deepest = np.full(len(points), 0.3)
    for k, name in enumerate(names):
        if name == "room" or in_air.all():
            continue
        own = corners[owner == k]
        low, high = own.min(axis=(0, 1)), own.max(axis=(0, 1))
        among = ~in_air & ((points >= low) & (points <= high)).all(axis=1)
        # an object cut open where it stands on the floor still surrounds a point by more than 0.3
        depth = np.zeros(len(points))
        depth[among] = -winding_number(own, points[among])
        for p in np.flatnonzero(depth > deepest):
            where[p] = name
        deepest = np.maximum(deepest, depth)
    return where


def _owned(room: Geometry | Scene) -> tuple[Array, Ints, list[str]]:
    """Corners of all triangles but sheets, the number of each one's owner, and their names."""
    if isinstance(room, Geometry):
        vertices, triangles, sheet = room.vertices, room.triangles, room.sheet
        of_group = list(room.owners)
        group = room.group
    else:
        vertices, triangles, sheet = room.mesh.vertices, room.mesh.triangles, room.mesh.sheet
        of_group = [surface.owner for surface in room.surfaces]
        group = room.mesh.surface
    names = list(dict.fromkeys(of_group))
    number = np.array([names.index(name) for name in of_group], dtype=np.int64)
    present = np.unique(number[group[~sheet]])
    renumbered = np.searchsorted(present, number[group[~sheet]])
    return vertices[triangles[~sheet]], renumbered, [names[k] for k in present]


def is_clear(room: Scene, points: Array, radius_m: float) -> NDArray[np.bool_]:
    """Whether points (p, 3) are in the air and at least so far from every surface.

    Where no surface lies between two points, both are in the air or neither: so of points that
    are nearer each other than to any surface one is looked at.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    free = clearance(room.mesh, points, max(radius_m, LINK_M))
    far = np.flatnonzero(free >= radius_m - SLACK_M)
    clear = np.zeros(len(points), dtype=np.bool_)
    if len(far):
        label = _linked(points[far], np.minimum(free[far], LINK_M))
        first = np.unique(label, return_index=True)[1]
        air = np.array(locate(room, points[far][first])) == AIR
        clear[far] = air[label]
    return clear


def _linked(points: Array, free: Array) -> Ints:
    """(p,) number of the part that each point belongs to, joined within its free distance."""
    pairs = cKDTree(points).query_pairs(float(free.max()), output_type="ndarray")
    apart = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    pairs = pairs[apart < SHY * free[pairs].max(axis=1)]
    ones = np.ones(len(pairs), dtype=np.bool_)
    graph = coo_array((ones, (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points)))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def clearance(mesh: Triangles, points: Array, within_m: float) -> Array:
    """(p,) distance of points (p, 3) from the nearest surface, m; at most `within_m`.

    Points are taken cell by cell, each with the triangles whose boxes reach it.
    """
    corners = mesh.vertices[mesh.triangles]
    low, high = corners.min(axis=1) - within_m, corners.max(axis=1) + within_m
    free = np.full(len(points), within_m)
    cells = np.unique(np.floor(points / CELL_M), axis=0, return_inverse=True)[1].reshape(-1)
    order = np.argsort(cells, kind="stable")
    for own in np.split(order, np.flatnonzero(np.diff(cells[order])) + 1):
        some = points[own]
        near = ((low <= some.max(axis=0)) & (high >= some.min(axis=0))).all(axis=1)
        if near.any():
            place = _nearest_places(corners[near], some)[0]
            free[own] = np.minimum(free[own], np.linalg.norm(place - some, axis=1))
    return free


def nearest_surface(mesh: Triangles, points: Array) -> tuple[Array, Array, Ints]:
    """Nearest point of a mesh to each point.

    Returns
    -------
    distance : (p,) float, m
    place : (p, 3) float, m
    triangle : (p,) int
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    place, triangle = _nearest_places(mesh.vertices[mesh.triangles], points)
    return np.linalg.norm(place - points, axis=1), place, triangle


def _nearest_places(corners: Array, points: Array) -> tuple[Array, Ints]:
    """(p, 3) nearest places of triangles (m, 3, 3), and which triangle (p,) has each."""
    place = np.zeros_like(points)
    triangle = np.zeros(len(points), dtype=np.int64)
    step = max(1, PAIRS_AT_ONCE // max(len(corners), 1))
    for first in range(0, len(points), step):
        own = slice(first, first + step)
        some = points[own]
        candidates = _nearest_on_triangles(corners, some[:, None])
        apart = ((candidates - some[:, None]) ** 2).sum(axis=2)
        triangle[own] = apart.argmin(axis=1)
        place[own] = candidates[np.arange(len(some)), triangle[own]]
    return place, triangle


def _nearest_on_triangles(corners: Array, points: Array) -> Array:
    """(p, m, 3) nearest place of each triangle to points (p, 1, 3).

    In its plane if that lies in it, else on an edge.
    """
    a, b, c = corners.transpose(1, 0, 2)
    normal = np.cross(b - a, c - a)
    squared = np.maximum(_dot(normal, normal), 1e-300)
    foot = points - (_dot(points - a, normal) / squared)[..., None] * normal
    within = np.ones(foot.shape[:2], dtype=np.bool_)
    best = foot.copy()
    best_apart = np.full(foot.shape[:2], np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        along = q - p
        within &= _dot(np.cross(along, foot - p), normal) >= 0
        length = np.maximum(_dot(along, along), 1e-300)
        t = np.clip(_dot(points - p, along) / length, 0.0, 1.0)
        on_edge = p + t[..., None] * along
        apart = ((on_edge - points) ** 2).sum(axis=-1)
        nearer = apart < best_apart
        best = np.where(nearer[..., None], on_edge, best)
        best_apart = np.where(nearer, apart, best_apart)
    return np.asarray(np.where(within[..., None], foot, best))


def _dot(one: Array, other: Array) -> Array:
    return np.asarray(np.einsum("...i,...i->...", one, other))
