"""Open edges chained to rims: where a mesh leaks, and the small holes that may be closed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import mapbox_earcut
import numpy as np
import shapely
from numpy.typing import NDArray

from raysim.scene.edges import half_edges
from raysim.scene.weld import open_edge_mask

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CLOSABLE_M = 0.05
"""Holes that fit a square of this side are closed: a cable, a missing sliver."""

LEAST_PIECE = 3.0
"""A rim is a hole only in a piece this many times larger than it; else it is a sheet's edge."""


@dataclass(frozen=True)
class Rim:
    """A chain of open edges.

    Attributes
    ----------
    loop : (k,) int
        Vertices in order; the edges run from each to the next.
    closed : bool
        Whether the last joins the first.
    rows : (k,) int
        Half-edges, one for each edge.
    """

    loop: Ints
    closed: bool
    rows: Ints


def rims(vertices: Array, triangles: Ints) -> list[Rim]:
    """All chains of open edges, longest extent first."""
    rows = np.flatnonzero(open_edge_mask(triangles))
    ends = half_edges(triangles)[rows]
    at: dict[int, list[int]] = {}
    for k, (a, b) in enumerate(ends.tolist()):
        at.setdefault(a, []).append(k)
        at.setdefault(b, []).append(k)
    free = np.ones(len(rows), dtype=np.bool_)
    chains = []
    # chains are begun where they fork or end, so that loops which touch come apart there
    for k in sorted(range(len(rows)), key=lambda k: (len(at[int(ends[k, 0])]) == 2, k)):
        if free[k]:
            chains.append(_chain(k, ends, rows, at, free))
    return sorted(chains, key=lambda rim: -extent(vertices[rim.loop]))


def _chain(
    first: int, ends: Ints, rows: Ints, at: dict[int, list[int]], free: NDArray[np.bool_]
) -> Rim:
    start, here = (int(i) for i in ends[first])
    loop, used = [start], [first]
    free[first] = False
    while here != start:
        loop.append(here)
        onward = [k for k in at[here] if free[k]]
        if not onward:
            return Rim(np.array(loop), False, rows[used])
        k = onward[0]
        free[k] = False
        used.append(k)
        here = int(ends[k].sum()) - here
    return Rim(np.array(loop), True, rows[used])


def extent(points: Array) -> float:
    """Diagonal of the bounding box, m."""
    return float(np.linalg.norm(np.ptp(points, axis=0)))


def closable(rim: Rim, vertices: Array, piece_extent_m: float) -> bool:
    """Whether a rim is a small hole in something much larger."""
    size = extent(vertices[rim.loop])
    if not rim.closed or len(rim.loop) < 3 or piece_extent_m < LEAST_PIECE * size:
        return False
    return size <= 2 * CLOSABLE_M and _side(_in_its_plane(vertices[rim.loop])) <= CLOSABLE_M


def _side(plane: Array) -> float:
    """Longer side of the smallest rectangle around points in a plane."""
    around = np.asarray(shapely.MultiPoint(plane).minimum_rotated_rectangle.exterior.coords)
    return float(np.linalg.norm(np.diff(around, axis=0), axis=1).max())


def _in_its_plane(points: Array) -> Array:
    """(k, 2) coordinates in the plane that fits the points best."""
    _, _, axes = np.linalg.svd(points - points.mean(axis=0))
    return np.ascontiguousarray((points - points.mean(axis=0)) @ axes[:2].T)


def lid(rim: Rim, vertices: Array) -> Ints:
    """(k - 2, 3) triangles that close a rim; their winding is left open."""
    plane = _in_its_plane(vertices[rim.loop])
    corners = mapbox_earcut.triangulate_float64(plane, np.array([len(plane)], dtype=np.uint32))
    return np.asarray(rim.loop[corners.astype(np.int64).reshape(-1, 3)])


def place_of(rim: Rim, vertices: Array, group: Ints, names: Sequence[str]) -> str:
    """Where a rim is and how large: 'near (2.10, 0.00, 2.40) m in 'rear', 0.90 x 2.05 m'."""
    points = vertices[rim.loop]
    x, y, z = (points.min(axis=0) + points.max(axis=0)) / 2
    sides = sorted((float(s) for s in np.ptp(points, axis=0)), reverse=True)[:2]
    shown = " x ".join(f"{1000 * s:.0f}" if sides[0] < 0.1 else f"{s:.2f}" for s in sides)
    unit = "mm" if sides[0] < 0.1 else "m"
    count = np.bincount(group[rim.rows // 3])
    beside = [f"'{names[g]}'" for g in np.argsort(-count, kind="stable")[:4] if count[g]]
    if 2 * count.max() > len(rim.rows) or len(beside) == 1:
        at = f"in {beside[0]}"
    else:
        at = f"between {', '.join(beside[:-1])} and {beside[-1]}"
    return f"near ({x:.2f}, {y:.2f}, {z:.2f}) m {at}, {shown} {unit}".replace("-0.00", "0.00")
