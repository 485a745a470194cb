"""Boxes around blocks of panes: halved by surface area, then put sixteen in a node at least cost.

Halves by the binned surface-area heuristic (Wald 2007). How many of the sixteen boxes of a node
each half gets is the choice that costs a ray least, by dynamic programming (Ylitie, Karras, Laine
2017).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import compiled, inlined
from raysim.kernels.lanes import WIDTH

BINS = 16
AMONG_SIXTEEN = 0.01  # cost to a ray of a box that it is tested against with fifteen others,
# over that of a node or a block that it is tested against alone (measured, see decision 0019)


class Bins(NamedTuple):
    """Scratch space of `best_cut`: what lies in each bin, and beyond each plane.

    number : (BINS,); low, high : (BINS, 3) m; right : (BINS,) cost beyond
    run_low, run_high : (3,) m
    """

    number: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    right: NDArray[np.float64]
    run_low: NDArray[np.float64]
    run_high: NDArray[np.float64]


@inlined
def half_area(low: NDArray[np.float64], high: NDArray[np.float64]) -> float:
    """Half the surface area of a box."""
    x, y, z = high[0] - low[0], high[1] - low[1], high[2] - low[2]
    return x * y + y * z + z * x


@inlined
def bounds_of(low, high, order, first, count, out_low, out_high) -> None:  # type: ignore[no-untyped-def]
    """Box around a run of triangles."""
    out_low[:] = np.inf
    out_high[:] = -np.inf
    for i in range(first, first + count):
        for axis in range(3):
            out_low[axis] = min(out_low[axis], low[order[i], axis])
            out_high[axis] = max(out_high[axis], high[order[i], axis])


@inlined
def widen(bins: Bins, b: int) -> None:
    """Let the running box take in a bin's."""
    for axis in range(3):
        bins.run_low[axis] = min(bins.run_low[axis], bins.low[b, axis])
        bins.run_high[axis] = max(bins.run_high[axis], bins.high[b, axis])


@inlined
def best_cut(low, high, order, first, count, axis, start, width, bins):  # type: ignore[no-untyped-def]
    """Cheapest of the BINS - 1 planes across an axis: (cost, plane number)."""
    bins.number[:], bins.low[:], bins.high[:] = 0, np.inf, -np.inf
    for i in range(first, first + count):
        k = order[i]
        b = bin_of(low[k, axis] + high[k, axis], start, width)
        bins.number[b] += 1
        for a in range(3):
            bins.low[b, a] = min(bins.low[b, a], low[k, a])
            bins.high[b, a] = max(bins.high[b, a], high[k, a])
    bins.run_low[:], bins.run_high[:], number = np.inf, -np.inf, 0
    for b in range(BINS - 1, 0, -1):
        number += bins.number[b]
        widen(bins, b)
        bins.right[b] = number * half_area(bins.run_low, bins.run_high) if number > 0 else np.inf
    bins.run_low[:], bins.run_high[:], number = np.inf, -np.inf, 0
    cost, plane = np.inf, -1
    for b in range(BINS - 1):
        number += bins.number[b]
        widen(bins, b)
        if number > 0 and number < count:
            here = number * half_area(bins.run_low, bins.run_high) + bins.right[b + 1]
            if here < cost:
                cost, plane = here, b
    return cost, plane


@inlined
def bin_of(twice_centre: float, start: float, width: float) -> int:
    """Bin of a triangle's box centre."""
    return min(BINS - 1, max(0, int((twice_centre - start) / width * BINS)))


@inlined
def split(low, high, order, first, count, bins):  # type: ignore[no-untyped-def]
    """Reorder a run of triangles about its cheapest plane; how many lie before it."""
    best, plane, best_axis, best_start, best_width = np.inf, -1, 0, 0.0, 1.0
    for axis in range(3):
        start, end = np.inf, -np.inf
        for i in range(first, first + count):
            centre = low[order[i], axis] + high[order[i], axis]
            start, end = min(start, centre), max(end, centre)
        if end - start > 1e-12:
            cost, cut = best_cut(low, high, order, first, count, axis, start, end - start, bins)
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
def halve(low, high, order, bins, out_low, out_high, out_run, out_half):  # type: ignore[no-untyped-def]
    """Reorder panes and halve them until a block holds each part; the number of parts.

    out_low, out_high : (parts, 3) their boxes; out_run : (parts, 2) first and count in `order`;
    out_half : (parts,) the first of both halves of a part, the other being the next; 0 for none.
    """
    out_run[0, 0], out_run[0, 1], parts = 0, len(order), 1
    part = 0
    while part < parts:
        first, count = out_run[part, 0], out_run[part, 1]
        bounds_of(low, high, order, first, count, out_low[part], out_high[part])
        out_half[part] = 0
        if count > WIDTH:
            left = split(low, high, order, first, count, bins)
            out_run[parts, 0], out_run[parts, 1] = first, left
            out_run[parts + 1, 0], out_run[parts + 1, 1] = first + left, count - left
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


@inlined
def parts_in(part, boxes, half, left, todo, out) -> int:  # type: ignore[no-untyped-def]
    """Parts that have a box where one of them gets so many of a node; their number.

    todo : (WIDTH, 2) scratch space; out : (WIDTH,)
    """
    todo[0, 0], todo[0, 1], depth, number = part, boxes, 1, 0
    while depth > 0:
        depth -= 1
        part, boxes = todo[depth, 0], todo[depth, 1]
        first = np.int64(left[part, boxes])
        if first == 0:
            out[number] = part
            number += 1
        else:
            todo[depth, 0], todo[depth, 1] = half[part] + 1, boxes - first
            todo[depth + 1, 0], todo[depth + 1, 1] = half[part], first
            depth += 2
    return number


@compiled
def fill_nodes(  # type: ignore[no-untyped-def]
    low, high, run, half, left, order, leading, roots, todo, inside, out_box, out_child, out_slot
):
    """Fill the nodes over parts, the first with `roots` boxes, a leaf a block; (nodes, leaves).

    todo : (parts + WIDTH, 3) and inside : (WIDTH,) are scratch space.
    """
    among = todo[len(half) :, :2]
    todo[0, 0], todo[0, 1], todo[0, 2] = 0, roots, 0  # part, boxes, node
    depth, nodes, leaves = 1, 1, 0
    while depth > 0:
        depth -= 1
        part, boxes, node = todo[depth, 0], todo[depth, 1], todo[depth, 2]
        for i in range(parts_in(part, boxes, half, left, among, inside)):
            k = inside[i]
            for axis in range(3):
                out_box[node, 2 * axis, i] = low[k, axis]
                out_box[node, 2 * axis + 1, i] = high[k, axis]
            if half[k] == 0:
                for lane in range(run[k, 1]):
                    out_slot[leaves, lane] = order[run[k, 0] + lane]
                leaves += 1
                out_child[node, i] = -(leading + leaves)
            else:
                todo[depth, 0], todo[depth, 1], todo[depth, 2] = k, WIDTH, nodes
                out_child[node, i] = nodes
                nodes += 1
                depth += 1
    return nodes, leaves


def grow(
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    order: NDArray[np.int64],
    leading: int,
    out_box: NDArray[np.float32],
    out_child: NDArray[np.int32],
    out_slot: NDArray[np.int64],
) -> tuple[int, int]:
    """Fill the nodes over panes, a leaf a block; (nodes, leaves).

    low, high : (panes, 3). Blocks are counted from `leading`. The first node has as many boxes as
    are worth testing with sixteen rays in a room that holds all panes.
    """
    x, y, z = high.max(axis=0) - low.min(axis=0)
    most, room = 2 * len(order), x * y + y * z + z * x
    part_low, part_high = np.empty((most, 3)), np.empty((most, 3))
    run, half = np.empty((most, 2), np.int64), np.empty(most, np.int64)
    bins = Bins(
        np.empty(BINS, np.int64),
        np.empty((BINS, 3)),
        np.empty((BINS, 3)),
        np.empty(BINS),
        np.empty(3),
        np.empty(3),
    )
    parts = halve(low, high, order, bins, part_low, part_high, run, half)
    half = half[:parts]
    cost, left = np.empty((parts, WIDTH + 1)), np.empty((parts, WIDTH + 1), np.int8)
    share_boxes(part_low, part_high, half, cost, left)
    roots = 1 + int((cost[0, 1:] + AMONG_SIXTEEN * room * np.arange(1, WIDTH + 1)).argmin())
    todo, inside = np.empty((parts + WIDTH, 3), np.int64), np.empty(WIDTH, np.int64)
    nodes, leaves = fill_nodes(
        part_low,
        part_high,
        run,
        half,
        left,
        order,
        leading,
        roots,
        todo,
        inside,
        out_box,
        out_child,
        out_slot,
    )
    return int(nodes), int(leaves)
