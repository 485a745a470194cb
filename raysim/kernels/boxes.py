"""Boxes around blocks of panes: halved by surface area, then put sixteen in a node at least cost.

Halves by the binned surface-area heuristic (Wald 2007). How many of the sixteen boxes of a node
each half gets is the choice that costs a ray least, by dynamic programming (Ylitie, Karras, Laine
2017).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import compiled
from raysim.kernels.lanes import WIDTH

BINS = 16
AMONG_SIXTEEN = 0.01  # cost to a ray of a box that it is tested against with fifteen others,
# over that of a node or a block that it is tested against alone (measured, see decision 0019)


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
def halve(low, high, order, out_low, out_high, out_run, out_half):  # type: ignore[no-untyped-def]
    """Reorder panes and halve them until a block holds each part; the number of parts.

    out_low, out_high : (parts, 3) their boxes; out_run : (parts, 2) first and count in `order`;
    out_half : (parts,) the first of both halves of a part, the other being the next; 0 for none.
    """
    out_run[0], parts = (0, len(order)), 1
    part = 0
    while part < parts:
        first, count = out_run[part]
        bounds_of(low, high, order, first, count, out_low[part], out_high[part])
        out_half[part] = 0
        if count > WIDTH:
            left = split(low, high, order, first, count)
            out_run[parts], out_run[parts + 1] = (first, left), (first + left, count - left)
            out_half[part] = parts
            parts += 2
        part += 1
    return parts


@compiled
def share_boxes(low, high, half, out_cost, out_left):  # type: ignore[no-untyped-def]
    """What a part costs a ray if it may have up to so many boxes of one node, at best.

    out_cost, out_left : (parts, WIDTH + 1), the cost, in areas of boxes whose contents are
    tested, and how many boxes the first half then gets; 0 where the part has one for itself.
    """
    for part in range(len(half) - 1, -1, -1):
        area = half_area(low[part], high[part])
        out_cost[part], out_left[part] = area, 0
        if half[part] == 0:
            continue
        one, two = out_cost[half[part]], out_cost[half[part] + 1]
        out_cost[part] = np.inf
        for boxes in range(2, WIDTH + 1):
            for left in range(1, boxes):
                cost = one[left] + two[boxes - left]
                if cost < out_cost[part, boxes]:
                    out_cost[part, boxes], out_left[part, boxes] = cost, left
        alone = area + out_cost[part, WIDTH]
        for boxes in range(1, WIDTH + 1):
            if alone < out_cost[part, boxes]:
                out_cost[part, boxes], out_left[part, boxes] = alone, 0


@compiled
def parts_in(part, boxes, half, left, out) -> int:  # type: ignore[no-untyped-def]
    """Parts that have a box where one of them gets so many of a node; their number."""
    todo = np.empty((WIDTH, 2), np.int64)
    todo[0], depth, number = (part, boxes), 1, 0
    while depth > 0:
        depth -= 1
        part, boxes = todo[depth]
        first = np.int64(left[part, boxes])
        if first == 0:
            out[number] = part
            number += 1
        else:
            todo[depth] = (half[part] + 1, boxes - first)
            todo[depth + 1] = (half[part], first)
            depth += 2
    return number


@compiled
def grow(low, high, order, leading, room, out_box, out_child, out_slot):  # type: ignore[no-untyped-def]
    """Fill the nodes over panes, a leaf a block; (nodes, leaves).

    low, high : (panes, 3). Blocks are counted from `leading`. The first node has as many boxes as
    are worth testing with sixteen rays in a room of half-area `room`.
    """
    most = 2 * len(order)
    part_low, part_high = np.empty((most, 3)), np.empty((most, 3))
    run, half = np.empty((most, 2), np.int64), np.empty(most, np.int64)
    parts = halve(low, high, order, part_low, part_high, run, half)
    half = half[:parts]
    cost, left = np.empty((parts, WIDTH + 1)), np.empty((parts, WIDTH + 1), np.int8)
    share_boxes(part_low, part_high, half, cost, left)
    inside = np.empty(WIDTH, np.int64)
    todo = np.empty((parts, 3), np.int64)  # part, boxes, node
    roots = 1 + (cost[0, 1:] + AMONG_SIXTEEN * room * np.arange(1, WIDTH + 1)).argmin()
    todo[0], depth, nodes, leaves = (0, roots, 0), 1, 1, 0
    while depth > 0:
        depth -= 1
        part, boxes, node = todo[depth]
        for i in range(parts_in(part, boxes, half, left, inside)):
            k = inside[i]
            out_box[node, 0::2, i], out_box[node, 1::2, i] = part_low[k], part_high[k]
            if half[k] == 0:
                for lane in range(run[k, 1]):
                    out_slot[leaves, lane] = order[run[k, 0] + lane]
                leaves += 1
                out_child[node, i] = -(leading + leaves)
            else:
                todo[depth] = (k, WIDTH, nodes)
                out_child[node, i] = nodes
                nodes += 1
                depth += 1
    return nodes, leaves
