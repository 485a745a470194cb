"""Nearest hits the plain way, in double precision throughout, for comparison.

A binary tree of boxes about halves of the triangles, and the double-precision test of a triangle;
none of the code that it is compared with but that test.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import allocating, inlined, released
from raysim.kernels.tree import NOTHING, Tree, triangle_hit
from raysim.kernels.vec import row

LEAF, WIDER_M, DEEPEST = 4, 1e-7, 64
triangle_hit_inline = inlined(triangle_hit.py_func)  # a call would take longer than the test


class Halves(NamedTuple):
    """Node i has children 2 i + 1 and 2 i + 2.

    low, high : (nodes, 3) box, m
    first, count : (nodes,) its run of `order`
    order : (m,) triangles
    leaves : number of the first node of the last level
    """

    low: NDArray[np.float64]
    high: NDArray[np.float64]
    first: NDArray[np.int64]
    count: NDArray[np.int64]
    order: NDArray[np.int64]
    leaves: int


def halves_of(corners: NDArray[np.float64]) -> Halves:
    """Halve (m, 3, 3) triangles along the longest side of each box until few are left."""
    levels = max(0, int(np.ceil(np.log2(len(corners) / LEAF))))
    nodes = 2 ** (levels + 1) - 1
    low, high = np.empty((nodes, 3)), np.empty((nodes, 3))
    first, count = np.zeros(nodes, np.int64), np.zeros(nodes, np.int64)
    order, middle = np.arange(len(corners)), corners.mean(axis=1)
    count[0] = len(corners)
    for node in range(nodes):
        run = slice(first[node], first[node] + count[node])
        own = corners[order[run]].reshape(-1, 3)
        low[node], high[node] = own.min(axis=0) - WIDER_M, own.max(axis=0) + WIDER_M
        if 2 * node + 2 < nodes:
            axis = int((high[node] - low[node]).argmax())
            order[run] = order[run][np.argsort(middle[order[run], axis], kind="stable")]
            half = count[node] // 2
            first[2 * node + 1], count[2 * node + 1] = first[node], half
            first[2 * node + 2], count[2 * node + 2] = first[node] + half, count[node] - half
    return Halves(low, high, first, count, order, nodes // 2)


@inlined
def enters(halves, node, o, d, t):  # type: ignore[no-untyped-def]
    """Whether a ray meets a node's box before t."""
    near, far = 0.0, t
    for axis in range(3):
        if d[axis] == 0.0:
            if o[axis] < halves.low[node, axis] or o[axis] > halves.high[node, axis]:
                return False
            continue
        one = (halves.low[node, axis] - o[axis]) / d[axis]
        other = (halves.high[node, axis] - o[axis]) / d[axis]
        near, far = max(near, min(one, other)), min(far, max(one, other))
    return near <= far + WIDER_M


@allocating
def plain_each(first, step, halves, tree, origin, direction, triangle, distance):  # type: ignore[no-untyped-def]
    """Nearest triangle of `Tree` and distance of every ray first, first + step ..."""
    stack = np.empty(DEEPEST, np.int64)
    for i in range(first, len(origin), step):
        best, t, depth = NOTHING, np.inf, 1
        stack[0] = 0
        while depth > 0:
            depth -= 1
            node = stack[depth]
            if not enters(halves, node, origin[i], direction[i], t):
                continue
            if node < halves.leaves:
                stack[depth], stack[depth + 1] = 2 * node + 1, 2 * node + 2
                depth += 2
                continue
            for at in range(halves.first[node], halves.first[node] + halves.count[node]):
                k = halves.order[at]
                hit = triangle_hit_inline(tree, k, row(origin, i), row(direction, i))
                if hit < t:
                    best, t = k, hit
        triangle[i], distance[i] = best, t


@released
def every_triangle(first, step, tree: Tree, origin, direction, triangle, distance):  # type: ignore[no-untyped-def]
    """The same by testing every triangle."""
    for i in range(first, len(origin), step):
        best, t = NOTHING, np.inf
        for k in range(len(tree.facet)):
            hit = triangle_hit_inline(tree, k, row(origin, i), row(direction, i))
            if hit < t:
                best, t = k, hit
        triangle[i], distance[i] = best, t
