"""Facets: connected coplanar triangles of one surface, with the frame in which they are drawn."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from raysim.scene.data import UP, Facet
from raysim.scene.edges import half_edges, neighbours
from raysim.scene.geometry import Geometry

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

FLATNESS = 2e-6
"""Largest distance from the facet's plane, relative to the diagonal of the room: a little more
than coordinates lose in single precision."""

STEEPEST_CEILING = 0.7
"""Facets whose normal has at least this vertical part (slope up to 45 degrees) are drawn in plan,
like floors and ceilings; others like walls."""


def find_facets(
    geometry: Geometry, front: Array, handedness: int, flatness: float = FLATNESS
) -> tuple[Ints, tuple[Facet, ...]]:
    """Join triangles to facets and give each facet its frame.

    Two triangles belong together where they share an edge, a surface and a side of a sheet and
    lie in one plane. Vertices must be shared along edges, as `heal` leaves them.

    Parameters
    ----------
    geometry : Geometry
        Normals by the right-hand rule of the stored axes point into the air.
    front : (3,) float
        Horizontal unit vector that a listener faces.
    handedness : int
        +1 right-handed axes, -1 left-handed (see `raysim.scene.data`).
    flatness : float
        Largest distance from the facet's plane over the diagonal of the room.

    Returns
    -------
    facet : (m,) int
        Index of each triangle's facet.
    facets : tuple of Facet
        By surface, larger ones first; `Facet.surface` is the triangle's `group`.
    """
    corners = geometry.vertices[geometry.triangles]
    diagonal = float(np.linalg.norm(np.ptp(corners.reshape(-1, 3), axis=0)))
    tolerance_m = flatness * diagonal
    doubled = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    pairs = _coplanar_pairs(geometry, corners, doubled, tolerance_m)
    label = _join(len(corners), pairs)
    label = _split_bent(label, pairs, corners, doubled, tolerance_m)
    label = _in_order(label, geometry.group, corners, doubled)
    return label, _facets(label, geometry, corners, doubled, front, handedness, tolerance_m)


def _coplanar_pairs(geometry: Geometry, corners: Array, doubled: Array, tolerance_m: float) -> Ints:
    """(p, 2) pairs of triangles that share an edge, a surface, a side and a plane."""
    one, two = neighbours(geometry.triangles)
    edges = half_edges(geometry.triangles)
    one_triangle, two_triangle = one // 3, two // 3
    area = np.linalg.norm(doubled, axis=1)
    normal = doubled / np.maximum(area, 1e-300)[:, None]
    # the plane of the larger triangle is the better known
    swap = area[one_triangle] < area[two_triangle]
    large = np.where(swap, two_triangle, one_triangle)
    small = np.where(swap, one_triangle, two_triangle)
    far_corner = (np.where(swap, one, two) % 3 + 2) % 3
    out_of_plane = np.einsum(
        "ij,ij->i", corners[small, far_corner] - corners[large, 0], normal[large]
    )
    together = (
        (edges[one, 0] == edges[two, 1])
        & (geometry.group[large] == geometry.group[small])
        & (geometry.sheet[large] == geometry.sheet[small])
        & (np.abs(out_of_plane) <= tolerance_m)
        & (np.einsum("ij,ij->i", normal[large], normal[small]) > 0.5)
    )
    return np.stack([large[together], small[together]], axis=1)


def _join(count: int, pairs: Ints) -> Ints:
    ones = np.ones(len(pairs))
    graph = coo_matrix((ones, (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _split_bent(
    label: Ints, pairs: Ints, corners: Array, doubled: Array, tolerance_m: float
) -> Ints:
    """Undo joints of a chain of triangles that bends slowly out of its own plane."""
    normal, centre, _ = _planes(label, corners, doubled)
    off = np.abs(np.einsum("ijk,ik->ij", corners - centre[label][:, None], normal[label]))
    worst = np.zeros(len(normal))
    np.maximum.at(worst, label, off.max(axis=1))
    bent = np.flatnonzero(worst > 2 * tolerance_m)
    if not len(bent):
        return label
    label = label.copy()
    fresh = int(label.max()) + 1
    beside: dict[int, list[int]] = {}
    for a, b in pairs[np.isin(label[pairs[:, 0]], bent)]:
        beside.setdefault(int(a), []).append(int(b))
        beside.setdefault(int(b), []).append(int(a))
    area = np.linalg.norm(doubled, axis=1)
    for component in bent:
        members = np.flatnonzero(label == component)
        left = {int(t) for t in members}
        for seed in members[np.argsort(-area[members], kind="stable")]:
            if int(seed) not in left:
                continue
            near = np.abs((corners[members] - corners[seed, 0]) @ (doubled[seed] / area[seed]))
            flat = left & {int(t) for t in members[near.max(axis=1) <= tolerance_m]}
            grown = _reachable(int(seed), flat | {int(seed)}, beside)
            label[list(grown)] = fresh
            fresh += 1
            left -= grown
    return label


def _reachable(seed: int, allowed: set[int], beside: dict[int, list[int]]) -> set[int]:
    found, waiting = {seed}, [seed]
    while waiting:
        for other in beside.get(waiting.pop(), []):
            if other in allowed and other not in found:
                found.add(other)
                waiting.append(other)
    return found


def _planes(label: Ints, corners: Array, doubled: Array) -> tuple[Array, Array, Array]:
    """Unit normal, centroid and area of each label's triangles."""
    count = int(label.max()) + 1
    area = np.linalg.norm(doubled, axis=1) / 2
    total = np.maximum(np.bincount(label, area, count), 1e-300)
    middle = corners.mean(axis=1)
    normal = np.stack([np.bincount(label, doubled[:, k], count) for k in range(3)], axis=1)
    length = np.linalg.norm(normal, axis=1)
    centre = np.stack([np.bincount(label, middle[:, k] * area, count) for k in range(3)], axis=1)
    return normal / np.maximum(length, 1e-300)[:, None], centre / total[:, None], total


def _in_order(label: Ints, group: Ints, corners: Array, doubled: Array) -> Ints:
    """Labels renumbered by surface, then larger first, then by place."""
    used, label = np.unique(label, return_inverse=True)
    label = label.ravel()
    surface = np.zeros(len(used), dtype=np.int64)
    surface[label] = group
    _, centre, area = _planes(label, corners, doubled)
    place = np.round(centre, 6)
    order = np.lexsort((place[:, 2], place[:, 1], place[:, 0], -np.round(area, 6), surface))
    rank = np.zeros(len(used), dtype=np.int64)
    rank[order] = np.arange(len(used))
    return rank[label]


def frames(normal: Array, front: Array, handedness: int) -> tuple[Array, Array]:
    """Unit vectors u (to the right) and v (up) of facets as seen from inside.

    Parameters
    ----------
    normal : (f, 3) float
        Unit normals into the air.
    front, handedness
        As in `find_facets`.

    Returns
    -------
    u, v : (f, 3) float
        On facets up to 45 degrees from level v points to the front of the room and u to the
        right of someone who faces it, on ceilings as on floors.
    """
    facing = np.array([front[0], front[1], 0.0])
    facing = facing / np.linalg.norm(facing)
    right = handedness * np.cross(facing, UP)
    level = np.abs(normal[:, 2]) >= STEEPEST_CEILING
    v = np.where(level[:, None], facing, UP)
    v = v - np.einsum("ij,ij->i", v, normal)[:, None] * normal
    v /= np.linalg.norm(v, axis=1)[:, None]
    u = np.where(level[:, None], right, handedness * np.cross(-normal, UP))
    for axis in (normal, v):
        u = u - np.einsum("ij,ij->i", u, axis)[:, None] * axis
    u /= np.linalg.norm(u, axis=1)[:, None]
    return u, v


def _facets(
    label: Ints,
    geometry: Geometry,
    corners: Array,
    doubled: Array,
    front: Array,
    handedness: int,
    tolerance_m: float,
) -> tuple[Facet, ...]:
    normal, centre, area = _planes(label, corners, doubled)
    u, v = frames(normal, front, handedness)
    along = np.stack(
        [np.einsum("ijk,ik->ij", corners - centre[label][:, None], axis[label]) for axis in (u, v)],
        axis=-1,
    )
    low = np.full((len(normal), 2), np.inf)
    high = np.full((len(normal), 2), -np.inf)
    np.minimum.at(low, label, along.min(axis=1))
    np.maximum.at(high, label, along.max(axis=1))
    origin = centre + low[:, :1] * u + low[:, 1:] * v
    size = high - low
    surface = np.zeros(len(normal), dtype=np.int64)
    surface[label] = geometry.group
    names = _names(surface, geometry.names)
    outlines = _outlines(label, geometry.triangles, along - low[label][:, None], tolerance_m)
    return tuple(
        Facet(*row)
        for row in zip(
            names,
            surface.tolist(),
            origin,
            u,
            v,
            normal,
            size,
            area.tolist(),
            outlines,
            strict=True,
        )
    )


def _names(surface: Ints, names: tuple[str, ...]) -> list[str]:
    several = np.bincount(surface, minlength=len(names)) > 1
    seen = [0] * len(names)
    numbered = []
    for s in surface.tolist():
        seen[s] += 1
        numbered.append(f"{names[s]} {seen[s]}" if several[s] else names[s])
    return numbered


def _outlines(
    label: Ints, triangles: Ints, plane: Array, tolerance_m: float
) -> list[tuple[Array, ...]]:
    """Boundary loops of every facet in its (u, v), outer ones counter-clockwise."""
    order = np.argsort(label, kind="stable")
    starts = np.searchsorted(label[order], np.arange(int(label.max()) + 2))
    loops: list[tuple[Array, ...]] = []
    for first, last in pairwise(starts.tolist()):
        members = order[first:last]
        if len(members) == 1:
            loop = plane[members[0]]
            loops.append((loop if signed_area(loop) > 0 else loop[::-1],))
        else:
            loops.append(_loops_of(triangles[members], plane[members], tolerance_m))
    return loops


def _loops_of(triangles: Ints, plane: Array, tolerance_m: float) -> tuple[Array, ...]:
    edges = half_edges(triangles)
    there = {(int(a), int(b)) for a, b in edges}
    place = {int(i): uv for i, uv in zip(triangles.ravel(), plane.reshape(-1, 2), strict=True)}
    side, other = plane[:, 1] - plane[:, 0], plane[:, 2] - plane[:, 0]
    mirrored = float((side[:, 0] * other[:, 1] - side[:, 1] * other[:, 0]).sum()) < 0
    onward: dict[int, list[int]] = {}
    for a, b in edges.tolist():
        if (b, a) not in there:
            start, end = (b, a) if mirrored else (a, b)
            onward.setdefault(start, []).append(end)
    loops = []
    while onward:
        loop = _walk(min(onward, key=lambda i: (len(onward[i]), i)), onward, place)
        loops.append(_without_straight_corners(np.array([place[i] for i in loop]), tolerance_m))
    loops.sort(key=lambda loop: -signed_area(loop))
    return tuple(loops)


def _walk(start: int, onward: dict[int, list[int]], place: dict[int, Array]) -> list[int]:
    """One closed loop; where loops touch, the sharpest turn right keeps them apart."""
    loop, here = [start], start
    incoming = None
    while True:
        ways = onward[here]
        pick = 0
        if len(ways) > 1 and incoming is not None:
            pick = int(np.argmin([_turn(incoming, place[w] - place[here]) for w in ways]))
        ahead = ways.pop(pick)
        if not ways:
            del onward[here]
        if ahead == start:
            return loop
        incoming = place[ahead] - place[here]
        loop.append(ahead)
        here = ahead


def _turn(incoming: Array, outgoing: Array) -> float:
    """Angle of the turn, positive to the left."""
    cross = incoming[0] * outgoing[1] - incoming[1] * outgoing[0]
    return float(np.arctan2(cross, incoming @ outgoing))


def _without_straight_corners(loop: Array, tolerance_m: float) -> Array:
    keep = list(range(len(loop)))
    k = 0
    while k < len(keep) and len(keep) > 3:
        before, here, after = loop[keep[k - 1]], loop[keep[k]], loop[keep[(k + 1) % len(keep)]]
        chord = after - before
        length = float(np.hypot(*chord))
        offset = here - before
        off = abs(chord[0] * offset[1] - chord[1] * offset[0])
        if length > 0 and off <= tolerance_m * length and 0 < offset @ chord < length**2:
            keep.pop(k)
            k = max(k - 1, 0)
        else:
            k += 1
    return loop[keep]


def signed_area(loop: Array) -> float:
    """Area of a closed polygon (k, 2), positive when counter-clockwise."""
    x, y = loop[:, 0], loop[:, 1]
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
