"""Builds the bounding-volume tree: binned surface-area heuristic (Wald 2007)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import compiled
from raysim.kernels.tree import FINE_M2, Tree

LEAF = 4
BINS = 16


@compiled
def half_area(low: NDArray[np.float64], high: NDArray[np.float64]) -> float:
    """Half the surface area of a box."""
    x, y, z = high[0] - low[0], high[1] - low[1], high[2] - low[2]
    return x * y + y * z + z * x


@compiled
def bounds_of(low, high, order, first, count, out_low, out_high) -> None:  # type: ignore[no-untyped-def]
    """Box around a run of triangles."""
    out_low[:] = np.inf
    out_high[:] = -np.inf
    for i in range(first, first + count):
        for axis in range(3):
            out_low[axis] = min(out_low[axis], low[order[i], axis])
            out_high[axis] = max(out_high[axis], high[order[i], axis])


@compiled
def best_cut(low, high, order, first, count, axis, start, width):  # type: ignore[no-untyped-def]
    """Cheapest of the BINS - 1 planes across an axis: (cost, plane number)."""
    counts = np.zeros(BINS, np.int64)
    bin_low = np.full((BINS, 3), np.inf)
    bin_high = np.full((BINS, 3), -np.inf)
    for i in range(first, first + count):
        k = order[i]
        b = bin_of(low[k, axis] + high[k, axis], start, width)
        counts[b] += 1
        for a in range(3):
            bin_low[b, a] = min(bin_low[b, a], low[k, a])
            bin_high[b, a] = max(bin_high[b, a], high[k, a])
    right = np.zeros(BINS)
    run_low, run_high, number = np.full(3, np.inf), np.full(3, -np.inf), 0
    for b in range(BINS - 1, 0, -1):
        number += counts[b]
        for a in range(3):
            run_low[a] = min(run_low[a], bin_low[b, a])
            run_high[a] = max(run_high[a], bin_high[b, a])
        right[b] = number * half_area(run_low, run_high) if number > 0 else np.inf
    run_low[:], run_high[:], number = np.inf, -np.inf, 0
    cost, plane = np.inf, -1
    for b in range(BINS - 1):
        number += counts[b]
        for a in range(3):
            run_low[a] = min(run_low[a], bin_low[b, a])
            run_high[a] = max(run_high[a], bin_high[b, a])
        if number > 0 and number < count:
            here = number * half_area(run_low, run_high) + right[b + 1]
            if here < cost:
                cost, plane = here, b
    return cost, plane


@compiled
def bin_of(twice_centre: float, start: float, width: float) -> int:
    """Bin of a triangle's box centre."""
    return min(BINS - 1, max(0, int((twice_centre - start) / width * BINS)))


@compiled
def split(low, high, order, first, count):  # type: ignore[no-untyped-def]
    """Reorder a run of triangles about its cheapest plane; how many lie before it."""
    best, plane, best_axis, best_start, best_width = np.inf, -1, 0, 0.0, 1.0
    for axis in range(3):
        start, end = np.inf, -np.inf
        for i in range(first, first + count):
            centre = low[order[i], axis] + high[order[i], axis]
            start, end = min(start, centre), max(end, centre)
        if end - start > 1e-12:
            cost, cut = best_cut(low, high, order, first, count, axis, start, end - start)
            if cost < best:
                best, plane, best_axis = cost, cut, axis
                best_start, best_width = start, end - start
    if plane < 0:
        return count // 2
    i, j = first, first + count - 1
    while i <= j:
        k = order[i]
        if bin_of(low[k, best_axis] + high[k, best_axis], best_start, best_width) <= plane:
            i += 1
        else:
            order[i], order[j] = order[j], order[i]
            j -= 1
    return i - first


@compiled
def grow(low, high, order, out_box, out_child, out_leaf):  # type: ignore[no-untyped-def]
    """Fill the node arrays; returns (nodes, leaves)."""
    box_low, box_high = np.empty(3), np.empty(3)
    todo = np.empty((256, 4), np.int64)  # first, count, parent, side
    total = len(order)
    nodes, leaves = 1, 0
    left = split(low, high, order, 0, total) if total > 1 else 1
    todo[0] = (0, left, 0, 0)
    todo[1] = (left, total - left, 0, 1)
    depth = 2
    while depth > 0:
        depth -= 1
        first, count, parent, side = todo[depth]
        bounds_of(low, high, order, first, count, box_low, box_high)
        for axis in range(3):
            out_box[parent, side, axis] = np.float32(box_low[axis])
            out_box[parent, side, 3 + axis] = np.float32(box_high[axis])
        if count <= LEAF or depth > 250:
            out_leaf[leaves, 0], out_leaf[leaves, 1] = first, count
            out_child[parent, side] = -(leaves + 1)
            leaves += 1
            continue
        out_child[parent, side] = nodes
        left = split(low, high, order, first, count)
        todo[depth] = (first, left, nodes, 0)
        todo[depth + 1] = (first + left, count - left, nodes, 1)
        nodes += 1
        depth += 2
    return nodes, leaves


def build_tree(
    corners: NDArray[np.float64],
    facet: NDArray[np.int64],
    surface: NDArray[np.int64],
    sheet: NDArray[np.bool_],
) -> Tree:
    """Tree over triangles.

    Parameters
    ----------
    corners : (m, 3, 3) float, m
        Normals by the right-hand rule point into the air.
    facet, surface : (m,) int
    sheet : (m,) bool
    """
    count = len(corners)
    low, high = corners.min(axis=1), corners.max(axis=1)
    order = np.arange(count)
    box = np.empty((count + 1, 2, 6), np.float32)
    box[:, :, :3], box[:, :, 3:] = np.inf, -np.inf
    child = np.zeros((count + 1, 2), np.int32)
    leaf = np.zeros((count + 2, 2), np.int32)
    nodes, leaves = grow(low, high, order, box, child, leaf)
    box = box[:nodes]
    box[:, :, :3] = np.nextafter(box[:, :, :3], np.float32(-np.inf))
    box[:, :, 3:] = np.nextafter(box[:, :, 3:], np.float32(np.inf))
    a, b, c = corners.transpose(1, 0, 2)
    normal = np.cross(b - a, c - a)
    twice_area = np.linalg.norm(normal, axis=1)
    facet_area = np.bincount(facet, twice_area / 2)
    normal /= twice_area[:, None]
    return Tree(
        box=box,
        child=child[:nodes],
        leaf=leaf[:leaves],
        corners=np.ascontiguousarray(corners[order].reshape(count, 9)),
        normal=np.ascontiguousarray(normal[order]),
        level=np.ascontiguousarray((normal * a).sum(axis=1)[order]),
        facet=facet[order].astype(np.int32),
        surface=surface[order].astype(np.int32),
        original=order.astype(np.int32),
        sheet=np.ascontiguousarray(sheet[order]),
        fine=np.ascontiguousarray((facet_area < FINE_M2)[facet][order]),
    )
