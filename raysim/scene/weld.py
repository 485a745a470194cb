"""Triangles made to share their vertices: weld, drop what has no area, cut at T-junctions."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from raysim.scene.edges import edge_numbers, half_edges

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SAME_POINT_M = 1e-5
"""Vertices nearer than this are one everywhere; single precision at 60 m is 4e-6 m."""

LONGEST_CLUSTER = 3.0
"""A chain of close vertices longer than this many tolerances is detail, not one vertex."""


def close_vertices(points: Array, distance_m: float) -> Ints:
    """For each point the lowest index of the cluster it belongs to.

    Clusters are chains of points nearer than `distance_m`; those that stretch beyond three times
    that distance are left apart.
    """
    count = len(points)
    pairs = cKDTree(points).query_pairs(distance_m, output_type="ndarray")
    own = np.arange(count, dtype=np.int64)
    if not len(pairs):
        return own
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    clusters, label = connected_components(graph, directed=False)
    low = np.full((clusters, 3), np.inf)
    high = np.full((clusters, 3), -np.inf)
    np.minimum.at(low, label, points)
    np.maximum.at(high, label, points)
    tight = np.linalg.norm(high - low, axis=1) <= LONGEST_CLUSTER * distance_m
    first = np.full(clusters, count, dtype=np.int64)
    np.minimum.at(first, label, own)
    return np.where(tight[label], first[label], own)


def open_edge_mask(triangles: Ints) -> Bools:
    """(3 m,) which half-edges lie on an edge of only one triangle."""
    _, number = edge_numbers(triangles)
    return np.asarray(np.bincount(number)[number] == 1)


def weld(vertices: Array, triangles: Ints, tolerance_m: float) -> tuple[Ints, int]:
    """Triangles with close vertices made one, and the number of vertices joined across gaps.

    Identical points are joined everywhere. Points up to `tolerance_m` apart are joined only where
    they end open edges, so that fine detail of closed surfaces stays.
    """
    triangles = close_vertices(vertices, SAME_POINT_M)[triangles]
    rim = np.unique(half_edges(triangles)[open_edge_mask(triangles)])
    if not len(rim):
        return triangles, 0
    target = np.arange(len(vertices), dtype=np.int64)
    target[rim] = rim[close_vertices(vertices[rim], tolerance_m)]
    return target[triangles], int((target != np.arange(len(vertices))).sum())


def flat_mask(vertices: Array, triangles: Ints, height_m: float) -> Bools:
    """(m,) which triangles have two corners at one vertex or a height below `height_m`."""
    a, b, c = vertices[triangles].transpose(1, 0, 2)
    doubled = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    longest = np.max([np.linalg.norm(p - q, axis=1) for p, q in ((a, b), (b, c), (c, a))], axis=0)
    return np.asarray(doubled <= height_m * longest)


def duplicate_mask(triangles: Ints) -> Bools:
    """(m,) which triangles have the same three vertices as an earlier one, wound either way."""
    _, first = np.unique(np.sort(triangles, axis=1), axis=0, return_index=True)
    mask = np.ones(len(triangles), dtype=np.bool_)
    mask[first] = False
    return mask


def split_at_junctions(vertices: Array, triangles: Ints, tolerance_m: float) -> tuple[Ints, Ints]:
    """Cut triangles at vertices that lie on their open edges.

    Returns
    -------
    triangles : (k, 3) int
    origin : (k,) int
        Row of the given triangle each one comes from.
    """
    edges = half_edges(triangles)
    open_rows = np.flatnonzero(open_edge_mask(triangles))
    origin = np.arange(len(triangles), dtype=np.int64)
    if not len(open_rows):
        return triangles, origin
    rim = np.unique(edges[open_rows])
    tree = cKDTree(vertices[rim])
    start, end = vertices[edges[open_rows, 0]], vertices[edges[open_rows, 1]]
    reach = np.linalg.norm(end - start, axis=1) / 2 + tolerance_m
    near = tree.query_ball_point((start + end) / 2, reach)
    cuts: dict[int, tuple[int, list[int]]] = {}
    for row, candidates in zip(open_rows.tolist(), near, strict=True):
        triangle, corner = divmod(row, 3)
        if triangle in cuts:
            continue
        on = _points_on(
            rim[np.sort(candidates)], triangles[triangle], corner, vertices, tolerance_m
        )
        if on:
            cuts[triangle] = (corner, on)
    if not cuts:
        return triangles, origin
    pieces: list[list[int]] = []
    owner: list[int] = []
    for triangle, (corner, on) in cuts.items():
        a, b, c = np.roll(triangles[triangle], -corner).tolist()
        line = [a, *on, b]
        pieces.extend([p, q, c] for p, q in pairwise(line))
        owner.extend([triangle] * (len(line) - 1))
    whole = np.setdiff1d(origin, np.array(list(cuts)))
    return (
        np.concatenate([triangles[whole], np.array(pieces, dtype=np.int64)]),
        np.concatenate([whole, np.array(owner, dtype=np.int64)]),
    )


def _points_on(
    candidates: Ints, triangle: Ints, corner: int, vertices: Array, tolerance_m: float
) -> list[int]:
    """Vertices on the edge that starts at `corner`, in order along it."""
    candidates = candidates[~np.isin(candidates, triangle)]
    start = vertices[triangle[corner]]
    along = vertices[triangle[(corner + 1) % 3]] - start
    length = float(np.linalg.norm(along))
    offset = vertices[candidates] - start
    t = offset @ along / length
    apart = np.linalg.norm(offset - np.outer(t / length, along), axis=1)
    on = (apart <= tolerance_m) & (t > tolerance_m / 10) & (t < length - tolerance_m / 10)
    return [int(i) for i in candidates[on][np.argsort(t[on], kind="stable")]]
