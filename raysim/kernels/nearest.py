"""The nearest hit of a ray, or of sixteen: in single precision first, doubts in double.

What single precision is certain of is believed, with the distance from the facet's plane in
double precision. What it is not goes to the test in double precision. So the outcome is that of
the double-precision test of every triangle.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.abreast import Rays
from raysim.kernels.compiled import inlined, uncounted
from raysim.kernels.lanes import (
    WIDTH,
    bits,
    choose,
    facing,
    gather,
    greater,
    item,
    lesser,
    load,
    lowest,
    magnitude,
    prefetch,
    single,
    spread,
    store,
    truths,
)
from raysim.kernels.tree import (
    BOX_ROWS,
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
from raysim.kernels.vec import Vec, column, dot, load_vec, row, set_column, store_vec


class Near(NamedTuple):
    """A ray, or sixteen, in single precision, about the tree's centre.

    inward : 1 / direction; back : origin / direction
    """

    o: Vec
    d: Vec
    inward: Vec
    back: Vec


@inlined
def in_single(x: float, y: float, z: float):  # type: ignore[no-untyped-def]
    """Vector in single precision."""
    return Vec(np.float32(x), np.float32(y), np.float32(z))  # type: ignore[arg-type]


@inlined
def try_panes(tree, block, near, o, d, own, k, t):  # type: ignore[no-untyped-def]
    """Triangle and distance of the nearest hit, given k at t, after a look at a block of panes.

    `near` is the ray in single precision.
    """
    here, slack, inside, counts = test_panes(tree, block * (PANE_ROWS * WIDTH), near.o, near.d)
    others = load(tree.pane_facet, block * WIDTH) != np.int32(own)
    on_way = (np.float32(0.0) - slack <= inside) & (here - slack <= reach_of(tree, t))
    possible, certain = bits(on_way & counts & others), bits(slack < inside)
    while possible != 0:
        lane = lowest(possible)
        possible &= possible - 1
        place = block * WIDTH + lane
        tried = np.int64(tree.first[place])
        if (certain >> lane) & 1:
            hit = plane_distance(tree, place, o, d)
        else:
            hit = triangle_hit(tree, tried, o, d)
            if tree.second[place] != NOTHING:
                other = triangle_hit(tree, tree.second[place], o, d)
                if other < hit:
                    tried, hit = np.int64(tree.second[place]), other
        if hit < t:
            k, t = tried, hit
    return k, t


@inlined
def foresee(tree: Tree, node: int) -> None:
    """Let the processor fetch what a ray meets next, while others take their steps."""
    if node >= 0:
        for i in range(BOX_ROWS):
            prefetch(tree.box, (node * BOX_ROWS + i) * WIDTH)
        prefetch(tree.child, node * WIDTH)
    else:
        for i in range(PANE_ROWS):
            prefetch(tree.pane, (-(node + 1) * PANE_ROWS + i) * WIDTH)
        prefetch(tree.pane_facet, -(node + 1) * WIDTH)


@inlined
def push(stack, reach, depth, bottom, child, entry):  # type: ignore[no-untyped-def]
    """Put a box on the stack, above `bottom` the nearest on top; the new depth."""
    place = depth
    while place > bottom and reach[place - 1] < entry:
        stack[place], reach[place] = stack[place - 1], reach[place - 1]
        place -= 1
    stack[place], reach[place] = child, entry
    return depth + 1


@inlined
def open_node(tree, node, near, limit, stack, reach, depth):  # type: ignore[no-untyped-def]
    """Put the boxes of a node that a ray meets up to a limit on the stack, the nearest on top."""
    entries, hits = test_boxes(tree, node, near, limit)
    bottom = depth
    while hits != 0:
        lane = lowest(hits)
        hits &= hits - 1
        child = tree.child[node * WIDTH + lane]
        depth = push(stack, reach, depth, bottom, child, item(entries, lane))
    return depth


@inlined
def still_near(limit, reach, depth):  # type: ignore[no-untyped-def]
    """Depth of the stack without what lies beyond a limit on top of it."""
    while depth > 0 and reach[depth - 1] > limit:
        depth -= 1
    return depth


@inlined
def step(tree, near, o, d, own, stack, reach, depth, k, t):  # type: ignore[no-untyped-def]
    """Take the top off the stack: open a node, or try the panes of a block."""
    node = stack[depth - 1]
    depth -= 1
    if node >= 0:
        limit = spread(reach_of(tree, t))
        below = depth
        depth = open_node(tree, node, near, limit, stack, reach, depth)
        for place in range(below, depth):
            foresee(tree, stack[place])
    else:
        k, t = try_panes(tree, -node - 1, near, o, d, own, k, t)
    return still_near(reach_of(tree, t), reach, depth), k, t


@inlined
def near_ray(tree, o, d):  # type: ignore[no-untyped-def]
    """A ray in single precision, about the tree's centre."""
    c = tree.centre
    near, inward = (
        in_single(o.x - c[0], o.y - c[1], o.z - c[2]),
        in_single(inverse(d.x), inverse(d.y), inverse(d.z)),
    )
    back = in_single(near.x * inward.x, near.y * inward.y, near.z * inward.z)
    return Near(near, in_single(d.x, d.y, d.z), inward, back)


@inlined
def nearest_inline(
    tree: Tree, o: Vec, d: Vec, own_facet: int, stack: NDArray[np.int32], reach: NDArray[np.float64]
) -> tuple[np.int64, float]:
    """First triangle along a ray and the distance to it; NOTHING if there is none.

    `own_facet` is the facet the ray leaves, never hit again by a straight line. `stack` and
    `reach` are scratch space of STACK elements. For hot loops: to hand all arrays over in a call
    takes longer than the search.
    """
    near, own, k, t, depth = near_ray(tree, o, d), np.int64(own_facet), np.int64(NOTHING), np.inf, 0
    for block in range(tree.leading):
        k, t = try_panes(tree, block, near, o, d, own, k, t)
    if len(tree.child) > 0:
        stack[0], reach[0], depth = 0, -np.inf, 1
    while depth > 0:
        depth, k, t = step(tree, near, o, d, own, stack, reach, depth, k, t)
    return k, t


@uncounted
def nearest(
    tree: Tree, o: Vec, d: Vec, own_facet: int, stack: NDArray[np.int32], reach: NDArray[np.float64]
) -> tuple[np.int64, float]:
    """As `nearest_inline`."""
    return nearest_inline(tree, o, d, own_facet, stack, reach)


@inlined
def test_large(tree, rays, near, own_facet):  # type: ignore[no-untyped-def]
    """Sixteen rays against the leading panes; fills `rays.place`, `least`, `most` and `rival`."""
    best = spread(np.int32(NOTHING))
    beyond = spread(np.float32(np.inf))
    low, high, rival = beyond, beyond, beyond
    for place in range(tree.large):
        block, lane = place // WIDTH, place % WIDTH
        at = block * (PANE_ROWS * WIDTH) + lane
        t, slack, inside, counts = test_panes(tree, at, near.o, near.d)
        counts = counts & (own_facet != tree.pane_facet[place])
        certain = counts & (slack < inside) & (t + slack < high)
        possible = counts & (np.float32(0.0) - slack <= inside)
        passed_over = choose(certain, low, choose(possible, t - slack, beyond))
        rival = lesser(rival, passed_over)
        low, high = choose(certain, t - slack, low), choose(certain, t + slack, high)
        best = choose(certain, spread(np.int32(place)), best)
    store(rays.place, 0, best)
    store(rays.least, 0, low)
    store(rays.most, 0, high)
    store(rays.rival, 0, rival)


@inlined
def doubtful(rays: Rays) -> int:
    """Pattern of the rays of which single precision doesn't know the nearest pane."""
    high, rival = load(rays.most, 0), load(rays.rival, 0)
    return bits((rival <= high) & (rival < np.float32(np.inf)))


@inlined
def slab(tree, at, inward, back):  # type: ignore[no-untyped-def]
    """Where sixteen rays enter and leave the slab between rows `at` and the next of a box."""
    one = facing(tree.box, at, back) * inward - back
    other = facing(tree.box, at + WIDTH, back) * inward - back
    return lesser(one, other), greater(one, other)


@inlined
def inverses(x):  # type: ignore[no-untyped-def]
    """1/x, finite."""
    least = spread(np.float32(1e-12))
    return np.float32(1.0) / choose(magnitude(x) < least, least, x)


@inlined
def foresee_hit(tree: Tree, place: int) -> None:
    """Let the processor fetch what the reflection asks of a pane."""
    prefetch(tree.plane, 4 * place)
    prefetch(tree.facet, tree.first[place])


@inlined
def open_root(tree: Tree, rays: Rays, near: Near, left: int) -> int:
    """Put the boxes of the first node that the rays of a pattern meet on their stacks.

    Gives the pattern of those that meet any.
    """
    inward, back, limit, found = near.inward, near.back, load(rays.most, 0), 0
    for box in range(tree.roots):
        x_in, x_out = slab(tree, box, inward.x, back.x)
        y_in, y_out = slab(tree, box + 2 * WIDTH, inward.y, back.y)
        z_in, z_out = slab(tree, box + 4 * WIDTH, inward.z, back.z)
        enter = greater(greater(x_in, y_in), greater(z_in, spread(np.float32(0.0))))
        hits = bits(enter <= lesser(lesser(x_out, y_out), lesser(z_out, limit))) & left
        found |= hits
        child = tree.child[box]
        if hits != 0:
            foresee(tree, child)
        while hits != 0:
            lane = lowest(hits)
            hits &= hits - 1
            stack, reach, depth = rays.stack[lane], rays.reach[lane], rays.depth[lane]
            rays.depth[lane] = push(stack, reach, depth, 0, child, item(enter, lane))
    return found


@inlined
def near_rays(tree, rays, o, d):  # type: ignore[no-untyped-def]
    """Sixteen rays in single precision; one each is found again by `near_lane`."""
    c = tree.centre
    near_o = Vec(single(o.x - c[0]), single(o.y - c[1]), single(o.z - c[2]))
    near_d = Vec(single(d.x), single(d.y), single(d.z))
    inward = Vec(inverses(near_d.x), inverses(near_d.y), inverses(near_d.z))
    store_vec(rays.near[0], near_o)
    store_vec(rays.near[1], near_d)
    back = Vec(near_o.x * inward.x, near_o.y * inward.y, near_o.z * inward.z)
    store_vec(rays.near[2], inward)
    store_vec(rays.near[3], back)
    return Near(near_o, near_d, inward, back)


@inlined
def near_lane(rays, lane):  # type: ignore[no-untyped-def]
    """One of sixteen rays in single precision."""
    near = rays.near
    return Near(
        column(near[0], lane), column(near[1], lane), column(near[2], lane), column(near[3], lane)
    )


@inlined
def try_panes_in_turn(tree: Tree, rays: Rays, lane: int, block: int) -> None:
    """One of sixteen rays against a block of panes, in single precision as in `test_large`."""
    near = near_lane(rays, lane)
    t, slack, inside, counts = test_panes(tree, block * (PANE_ROWS * WIDTH), near.o, near.d)
    others = load(tree.pane_facet, block * WIDTH) != rays.facet[lane]
    lows, highs = t - slack, t + slack
    on_way = (np.float32(0.0) - slack <= inside) & (lows <= rays.most[lane])
    possible, certain = bits(on_way & counts & others), bits(slack < inside)
    while possible != 0:
        pane = lowest(possible)
        possible &= possible - 1
        low, high = item(lows, pane), item(highs, pane)
        passed_over = low
        if (certain >> pane) & 1 and high < rays.most[lane]:
            passed_over = rays.least[lane]
            rays.least[lane], rays.most[lane] = low, high
            rays.place[lane] = block * WIDTH + pane
            foresee_hit(tree, rays.place[lane])
        rays.rival[lane] = min(rays.rival[lane], passed_over)


@inlined
def step_in_turn(tree: Tree, rays: Rays, lane: int) -> int:
    """Take the top off the stack of one of sixteen rays, as `step`; the depth that is left."""
    stack, reach, depth = rays.stack[lane], rays.reach[lane], rays.depth[lane] - 1
    node = stack[depth]
    if node >= 0:
        limit = spread(rays.most[lane])
        depth = open_node(tree, node, near_lane(rays, lane), limit, stack, reach, depth)
    else:
        try_panes_in_turn(tree, rays, lane, -node - 1)
    depth = still_near(rays.most[lane], reach, depth)
    rays.depth[lane] = depth
    return depth


@inlined
def search_boxes(tree: Tree, rays: Rays, left: int) -> None:
    """Look for nearer panes in what is on their stacks, the rays in turn."""
    while left != 0:
        going = left
        while going != 0:
            lane = lowest(going)
            going &= going - 1
            depth = step_in_turn(tree, rays, lane)
            if depth == 0:
                left &= ~(1 << lane)
            else:
                foresee(tree, rays.stack[lane, depth - 1])


@inlined
def nearest_of_sixteen(tree: Tree, rays: Rays, alive: int) -> None:
    """First triangle along each ray that is alive, the distance to it and its normal.

    Fills `rays.triangle`, NOTHING where there is none, `rays.t` and `rays.normal`.
    """
    o, d = load_vec(rays.o), load_vec(rays.d)
    near = near_rays(tree, rays, o, d)
    test_large(tree, rays, near, load(rays.facet, 0))
    search_boxes(tree, rays, open_root(tree, rays, near, alive & ~doubtful(rays)))
    place = load(rays.place, 0)
    is_met = (place != np.int32(NOTHING)) & truths(alive)
    place = choose(is_met, place, spread(np.int32(0)))
    at = place * np.int32(4)
    n = Vec(
        gather(tree.plane, at),
        gather(tree.plane, at + np.int32(1)),
        gather(tree.plane, at + np.int32(2)),
    )
    level = gather(tree.plane, at + np.int32(3))
    slope = choose(is_met, dot(n, d), spread(1.0))
    t = choose(is_met, (level - dot(n, o)) / slope, spread(np.inf))
    k = gather(tree.first, place)
    store(rays.triangle, 0, choose(is_met, k, spread(np.int32(NOTHING))))
    store(rays.t, 0, choose(truths(alive), t, spread(0.0)))
    store_vec(rays.normal, n)
    left = alive & doubtful(rays)
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        ray = column(rays.o, lane), column(rays.d, lane), np.int64(rays.facet[lane])
        met, rays.t[lane] = nearest(tree, *ray, rays.stack[0], rays.reach[0])
        rays.triangle[lane] = met
        if met != NOTHING:
            set_column(rays.normal, lane, row(tree.normal, met))
