"""Ceilings over a plan outline: level, sloping, or folded along ridges."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from raysim.errors import SceneError

Array = NDArray[np.float64]

PLANE_M = 0.001
LEAST_HEIGHT_M = 0.05


def ceiling_parts(
    corners: Array, ceiling: float | Sequence[Sequence[float]]
) -> tuple[Array, list[Array], tuple[str, ...]]:
    """Height above each corner and the flat parts of a ceiling.

    Points in one plane (within 1 mm) make one part. Otherwise the outline is triangulated and
    edges are turned until no fold points down that could point up: ridges, not valleys.

    Parameters
    ----------
    corners : (n, 2) float, m
        Plan outline.
    ceiling : float or (n, 3) float, m

    Returns
    -------
    heights : (n,) float, m
    parts : list of (k, 3) float, m
    notes : tuple of str

    Raises
    ------
    SceneError
        Points that are not one above every corner.
    """
    if isinstance(ceiling, int | float):
        heights = np.full(len(corners), float(ceiling))
        return heights, [np.c_[corners, heights]], ()
    heights = _heights(corners, np.asarray(ceiling, dtype=np.float64))
    lifted = np.c_[corners, heights]
    if np.abs(_off_plane(lifted)).max() <= PLANE_M:
        plane = lifted.copy()
        plane[:, 2] -= _off_plane(lifted)
        return plane[:, 2], [plane], ()
    triangles = _raise_folds(_triangulate(corners), lifted)
    note = (
        f"the ceiling points do not lie in one plane: read as {len(triangles)} triangles folded "
        "along ridges; add corners to the outline where a fold should be"
    )
    return heights, [lifted[list(t)] for t in triangles], (note,)


def _off_plane(points: Array) -> Array:
    """(n,) vertical distance of points from their least-squares plane."""
    terms = np.c_[points[:, :2], np.ones(len(points))]
    return np.asarray(points[:, 2] - terms @ np.linalg.lstsq(terms, points[:, 2], rcond=None)[0])


def _heights(corners: Array, points: Array) -> Array:
    """Heights in the order of the outline's corners."""
    heights = np.full(len(corners), np.nan)
    for x, y, z in points:
        apart = np.linalg.norm(corners - (x, y), axis=1)
        k = int(apart.argmin())
        if apart[k] > 0.005:
            raise SceneError(
                f"room.ceiling: the point ({x:g}, {y:g}, {z:g}) m is above no corner of the "
                f"outline (nearest ({corners[k, 0]:g}, {corners[k, 1]:g}) m); "
                "give one point above each corner, and add corners where the ceiling folds"
            )
        if not np.isnan(heights[k]):
            raise SceneError(
                f"room.ceiling: two points above the corner ({x:g}, {y:g}) m; give one each"
            )
        if z < LEAST_HEIGHT_M:
            raise SceneError(
                f"room.ceiling: {z:g} m high at ({x:g}, {y:g}) m; "
                f"walls must be at least {LEAST_HEIGHT_M:g} m high"
            )
        heights[k] = z
    if np.isnan(heights).any():
        x, y = corners[int(np.isnan(heights).argmax())]
        raise SceneError(
            f"room.ceiling: no point above the corner ({x:g}, {y:g}) m; "
            f"the outline has {len(corners)} corners, give a height for each"
        )
    return heights


def _triangulate(corners: Array) -> list[tuple[int, ...]]:
    """Triangles of corner indices, counter-clockwise in plan."""
    index = {tuple(c): k for k, c in enumerate(corners)}
    triangles = []
    for part in shapely.get_parts(shapely.constrained_delaunay_triangles(Polygon(corners))):
        ring = part.exterior.coords[:3]
        ids = tuple(index[c] for c in ring)
        triangles.append(ids if part.exterior.is_ccw else ids[::-1])
    return triangles


def _raise_folds(triangles: list[tuple[int, ...]], points: Array) -> list[tuple[int, ...]]:
    """Turn the shared edge of two triangles wherever the other diagonal lies higher."""
    turned = True
    while turned:
        turned = False
        for first in range(len(triangles)):
            for second in range(first + 1, len(triangles)):
                pair = _turned(triangles[first], triangles[second], points)
                if pair:
                    triangles[first], triangles[second] = pair
                    turned = True
    return triangles


def _turned(
    one: tuple[int, ...], two: tuple[int, ...], points: Array
) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    """The two triangles over the other diagonal, where that is possible and higher."""
    shared = set(one) & set(two)
    if len(shared) != 2:
        return None
    (a,) = set(one) - shared
    (b,) = set(two) - shared
    k = one.index(a)
    p, q = one[(k + 1) % 3], one[(k + 2) % 3]
    if _area(points, a, p, b) <= 1e-9 or _area(points, a, b, q) <= 1e-9:
        return None
    below = points[[a, p, q]]
    gradient = np.linalg.solve(np.c_[below[:, :2], np.ones(3)], below[:, 2])
    # b below the plane of the first triangle: the present fold is a ridge already
    if points[b, 2] <= gradient @ [points[b, 0], points[b, 1], 1.0] + PLANE_M:
        return None
    return (a, p, b), (a, b, q)


def _area(points: Array, a: int, b: int, c: int) -> float:
    (ax, ay), (bx, by), (cx, cy) = points[[a, b, c], :2]
    return float((bx - ax) * (cy - ay) - (by - ay) * (cx - ax)) / 2
