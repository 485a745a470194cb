"""The nearest hit of a ray, or of sixteen: in single precision first, doubts in double.

What single precision is certain of is believed, with the distance from the facet's plane in
double precision. What it is not goes to the test in double precision. So the outcome is that of
the double-precision test of every triangle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.abreast import Rays
from raysim.kernels.compiled import inlined, uncounted
from raysim.kernels.lanes import (
    WIDTH,
    bits,
    choose,
    facing,
    greater,
    item,
    lesser,
    load,
    lowest,
    magnitude,
    single,
    spread,
    store,
)
from raysim.kernels.tree import (
    NOTHING,
    PANE_ROWS,
    Tree,
    inverse,
    plane_distance,
    reach_of,
    test_boxes,
    test_panes,
    triangle_hit,
)
from raysim.kernels.vec import Vec, column, dot, load_vec, row, set_column


@inlined
def in_single(x: float, y: float, z: float):  # type: ignore[no-untyped-def]
    """Vector in single precision."""
    return Vec(np.float32(x), np.float32(y), np.float32(z))  # type: ignore[arg-type]


@inlined
def search(
    tree: Tree,
    o: Vec,
    d: Vec,
    own_facet: int,
    stack: NDArray[np.int32],
    reach: NDArray[np.float64],
    from_block: int,
    k: np.int64,
    t: float,
) -> tuple[np.int64, float]:
    """First triangle along a ray, given that it is k at t or one nearer.

    Leading blocks from number `from_block` on are tested, then boxes.
    """
    centre = tree.centre
    near_o = in_single(o.x - centre[0], o.y - centre[1], o.z - centre[2])
    near_d = in_single(d.x, d.y, d.z)
    ix, iy, iz = inverse(d.x), inverse(d.y), inverse(d.z)
    skip = Vec(WIDTH * (ix < 0.0), WIDTH * (iy < 0.0), WIDTH * (iz < 0.0))
    inward = in_single(ix, iy, iz)
    own = np.int32(own_facet)
    limit = spread(reach_of(tree, t))
    leading, depth = from_block, 0
    if len(tree.child) > 0:
        stack[0], reach[0], depth = 0, -np.inf, 1
    while leading < tree.leading or depth > 0:
        if leading < tree.leading:
            block = leading
            leading += 1
        else:
            depth -= 1
            node = stack[depth]
            if reach[depth] > reach_of(tree, t):
                continue
            if node >= 0:
                near, hits = test_boxes(tree, node, near_o, inward, skip, limit)
                bottom = depth
                while hits != 0:
                    lane = lowest(hits)
                    hits &= hits - 1
                    entry, place = item(near, lane), depth
                    while place > bottom and reach[place - 1] < entry:
                        stack[place], reach[place] = stack[place - 1], reach[place - 1]
                        place -= 1
                    stack[place], reach[place] = tree.child[node * WIDTH + lane], entry
                    depth += 1
                continue
            block = -node - 1
        here, slack, inside, counts = test_panes(tree, block * (PANE_ROWS * WIDTH), near_o, near_d)
        others = load(tree.pane_facet, block * WIDTH) != own
        on_way = (np.float32(0.0) - slack <= inside) & (here - slack <= limit)
        possible, certain = bits(on_way & counts & others), bits(slack < inside)
        while possible != 0:
            lane = lowest(possible)
            possible &= possible - 1
            place = block * WIDTH + lane
            tried = np.int64(tree.first[place])
            if (certain >> lane) & 1:
                hit = plane_distance(tree, tried, o, d)
            else:
                hit = triangle_hit(tree, tried, o, d)
                if tree.second[place] != NOTHING:
                    other = triangle_hit(tree, tree.second[place], o, d)
                    if other < hit:
                        tried, hit = np.int64(tree.second[place]), other
            if hit < t:
                k, t = tried, hit
                limit = spread(reach_of(tree, t))
    return k, t


@inlined
def nearest_inline(
    tree: Tree, o: Vec, d: Vec, own_facet: int, stack: NDArray[np.int32], reach: NDArray[np.float64]
) -> tuple[int, float]:
    """First triangle along a ray and the distance to it; NOTHING if there is none.

    `own_facet` is the facet the ray leaves, never hit again by a straight line. `stack` and
    `reach` are scratch space of STACK elements. For hot loops: to hand all arrays over in a call
    takes longer than the search.
    """
    own, first, none = np.int64(own_facet), np.int64(0), np.int64(NOTHING)  # one search for all
    return search(tree, o, d, own, stack, reach, first, none, np.inf)


@uncounted
def nearest(
    tree: Tree, o: Vec, d: Vec, own_facet: int, stack: NDArray[np.int32], reach: NDArray[np.float64]
) -> tuple[int, float]:
    """As `nearest_inline`."""
    return nearest_inline(tree, o, d, own_facet, stack, reach)


@inlined
def test_large(tree, o, d, own_facet):  # type: ignore[no-untyped-def]
    """Sixteen rays against the leading panes.

    Gives the place of the nearest certain hit, NOTHING if there is none, how far away it is at
    most, and the pattern of rays of which another pane may be nearer for all that single
    precision knows.
    """
    best = spread(np.int32(NOTHING))
    beyond = spread(np.float32(np.inf))
    low, high, rival = beyond, beyond, beyond
    for place in range(tree.large):
        block, lane = place // WIDTH, place % WIDTH
        t, slack, inside, counts = test_panes(tree, block * (PANE_ROWS * WIDTH) + lane, o, d)
        counts = counts & (own_facet != tree.pane_facet[place])
        certain = counts & (slack < inside) & (t + slack < high)
        possible = counts & (np.float32(0.0) - slack <= inside)
        passed_over = choose(certain, low, choose(possible, t - slack, beyond))
        rival = lesser(rival, passed_over)
        low, high = choose(certain, t - slack, low), choose(certain, t + slack, high)
        best = choose(certain, spread(np.int32(place)), best)
    return best, high, bits((rival <= high) & (rival < beyond))


@inlined
def slab(tree, at, o, inward):  # type: ignore[no-untyped-def]
    """Where sixteen rays enter and leave the slab between rows `at` and the next of a box."""
    one = (facing(tree.box, at, o) - o) * inward
    other = (facing(tree.box, at + WIDTH, o) - o) * inward
    return lesser(one, other), greater(one, other)


@inlined
def inverses(x):  # type: ignore[no-untyped-def]
    """1/x, finite."""
    least = spread(np.float32(1e-12))
    return np.float32(1.0) / choose(magnitude(x) < least, least, x)


@inlined
def test_root(tree, o, d, limit):  # type: ignore[no-untyped-def]
    """Pattern of the rays that meet a box of the first node up to their limits."""
    inward = Vec(inverses(d.x), inverses(d.y), inverses(d.z))
    found = limit < limit
    for box in range(tree.roots):
        x_in, x_out = slab(tree, box, o.x, inward.x)
        y_in, y_out = slab(tree, box + 2 * WIDTH, o.y, inward.y)
        z_in, z_out = slab(tree, box + 4 * WIDTH, o.z, inward.z)
        near = greater(greater(x_in, y_in), greater(z_in, spread(np.float32(0.0))))
        found = found | (near <= lesser(lesser(x_out, y_out), lesser(z_out, limit)))
    return bits(found)


@inlined
def nearest_of_sixteen(tree: Tree, rays: Rays, alive: int) -> None:
    """First triangle along each ray that is alive, the distance to it and its normal.

    Fills `rays.triangle`, NOTHING where there is none, `rays.t` and `rays.normal`.
    """
    o, d = load_vec(rays.o), load_vec(rays.d)
    near_o = Vec(
        single(o.x - tree.centre[0]), single(o.y - tree.centre[1]), single(o.z - tree.centre[2])
    )
    near_d = Vec(single(d.x), single(d.y), single(d.z))
    best, limit, doubtful = test_large(tree, near_o, near_d, load(rays.facet, 0))
    near_boxes = test_root(tree, near_o, near_d, limit)
    store(rays.triangle, 0, best)
    left = alive
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        k = np.int64(NOTHING)
        if rays.triangle[lane] != NOTHING and not (doubtful >> lane) & 1:
            k = np.int64(tree.first[rays.triangle[lane]])
            set_column(rays.normal, lane, row(tree.normal, k))
            rays.level[lane] = tree.level[k]
        rays.triangle[lane] = k
    n = load_vec(rays.normal)
    store(rays.t, 0, (load(rays.level, 0) - dot(n, o)) / dot(n, d))
    left = alive & (near_boxes | doubtful)
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        ray = column(rays.o, lane), column(rays.d, lane), np.int64(rays.facet[lane])
        first = np.int64(0 if (doubtful >> lane) & 1 else tree.leading)
        k = np.int64(rays.triangle[lane])
        t = rays.t[lane] if k != NOTHING else np.inf
        found, t = search(tree, *ray, rays.stack, rays.reach, first, k, t)
        if found != k:
            rays.triangle[lane], rays.t[lane] = found, t
            if found != NOTHING:
                set_column(rays.normal, lane, row(tree.normal, found))
