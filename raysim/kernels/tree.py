"""The nearest hit of a ray: sixteen panes or boxes at a time in single precision, doubts in double.

A pane is a triangle, or two of one facet that make a convex quadrilateral. Each test in single
precision knows how far it may err. What is certain beyond that is believed, with the distance
from the facet's plane in double precision. What is not goes to the test in double precision, with
shared edges evaluated alike from both sides, so that no ray passes between triangles (Woop,
Benthin, Wald 2013). So the outcome is that of the double-precision test of every triangle.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import inlined, uncounted
from raysim.kernels.lanes import (
    WIDTH,
    bits,
    choose,
    greater,
    item,
    lesser,
    load,
    load_whole,
    lowest,
    magnitude,
    spread,
    spread_whole,
)
from raysim.kernels.vec import Vec

NOTHING = -1
GRAZE_M = 1e-9  # rounding allowance for a ray that starts on an edge
STACK = 1024
FINE_M2 = 0.02
PANE_ROWS = 21
BOX_ROWS = 6
STEEPEST = 1e-6  # slope to a plane below which single precision says nothing
SURE = 4e-6  # error of single precision over the extent of a room, at right angles


class Tree(NamedTuple):
    """Triangles; panes of them in blocks of WIDTH, the largest first; boxes around blocks.

    corners : (m, 9) float64
    normal : (m, 3) float64, into the air
    level : (m,) float64, normal.p = level on the triangle's plane
    facet, surface : (m,) int32
    sheet : (m,) bool
    fine : (m,) bool, of a facet so small that it stands for a part of a curved surface
    centre : (3,) float64, origin of all that is single precision, m
    slack : float, error of single precision at right angles, m
    large : int, number of leading blocks that every ray tests
    pane : (blocks * PANE_ROWS * WIDTH,) float32, of each block 21 rows of WIDTH: normal and minus
        level, inward normal and offset of four edges, largest slope that counts as a hit
    pane_facet : (blocks * WIDTH,) int32
    first, second : (blocks * WIDTH,) int32, triangles of a pane; second NOTHING where it is one
    box : (nodes * BOX_ROWS * WIDTH,) float32, of each node low x, high x, low y .. high z
    child : (nodes * WIDTH,) int32, a node, or -(block + 1)
    """

    corners: NDArray[np.float64]
    normal: NDArray[np.float64]
    level: NDArray[np.float64]
    facet: NDArray[np.int32]
    surface: NDArray[np.int32]
    sheet: NDArray[np.bool_]
    fine: NDArray[np.bool_]
    centre: NDArray[np.float64]
    slack: float
    large: int
    pane: NDArray[np.float32]
    pane_facet: NDArray[np.int32]
    first: NDArray[np.int32]
    second: NDArray[np.int32]
    box: NDArray[np.float32]
    child: NDArray[np.int32]


class Shear(NamedTuple):
    """Axes and slopes that turn a ray into the +z axis, its origin in those axes (Woop et al.)."""

    kx: int
    ky: int
    kz: int
    ox: float
    oy: float
    oz: float
    sx: float
    sy: float
    sz: float


@inlined
def shear_of(o: Vec, d: Vec) -> Shear:
    """Permute so that |d[kz]| is largest, winding kept."""
    ax, ay, az = abs(d.x), abs(d.y), abs(d.z)
    kz = 0 if ax >= ay and ax >= az else (1 if ay >= az else 2)
    kx = (kz + 1) % 3
    ky = (kx + 1) % 3
    dz = d[kz]
    if dz < 0.0:
        kx, ky = ky, kx
    return Shear(kx, ky, kz, o[kx], o[ky], o[kz], d[kx] / dz, d[ky] / dz, 1.0 / dz)


@uncounted
def triangle_hit(tree: Tree, k: int, o: Vec, d: Vec) -> float:
    """Distance to triangle k, or infinity.

    A front face counts from slightly behind the origin, a back face only clearly ahead of it:
    a ray that starts on an edge then neither slips through the adjoining face nor hits it twice.
    A sheet has two fronts at one place: a ray that leaves one must not meet the other.
    """
    corners, s = tree.corners, shear_of(o, d)
    az = corners[k, s.kz] - s.oz
    bz = corners[k, 3 + s.kz] - s.oz
    cz = corners[k, 6 + s.kz] - s.oz
    ax = corners[k, s.kx] - s.ox - s.sx * az
    ay = corners[k, s.ky] - s.oy - s.sy * az
    bx = corners[k, 3 + s.kx] - s.ox - s.sx * bz
    by = corners[k, 3 + s.ky] - s.oy - s.sy * bz
    cx = corners[k, 6 + s.kx] - s.ox - s.sx * cz
    cy = corners[k, 6 + s.ky] - s.oy - s.sy * cz
    u = cx * by - cy * bx
    v = ax * cy - ay * cx
    w = bx * ay - by * ax
    if (u < 0.0 or v < 0.0 or w < 0.0) and (u > 0.0 or v > 0.0 or w > 0.0):
        return np.inf
    det = u + v + w
    if det == 0.0:
        return np.inf
    t = (u * az + v * bz + w * cz) * s.sz / det
    if det > 0.0 and not tree.sheet[k]:
        return t if t > -GRAZE_M else np.inf
    return t if t > GRAZE_M and (det > 0.0 or not tree.sheet[k]) else np.inf


@inlined
def plane_distance(tree: Tree, k: int, o: Vec, d: Vec) -> float:
    """Distance along a ray to the plane of triangle k."""
    n = tree.normal
    height = n[k, 0] * o.x + n[k, 1] * o.y + n[k, 2] * o.z - tree.level[k]
    return -height / (n[k, 0] * d.x + n[k, 1] * d.y + n[k, 2] * d.z)


@inlined
def dot_rows(table, at, x, y, z):  # type: ignore[no-untyped-def]
    """Scalar products of WIDTH vectors in three rows of a table with a vector."""
    return load(table, at) * x + load(table, at + WIDTH) * y + load(table, at + 2 * WIDTH) * z


@inlined
def edge_distance(table, at, x, y, z):  # type: ignore[no-untyped-def]
    """How far inside an edge each of WIDTH points lies, m."""
    return dot_rows(table, at, x, y, z) + load(table, at + 3 * WIDTH)


@inlined
def test_panes(tree, block, ox, oy, oz, dx, dy, dz, own_facet, limit):  # type: ignore[no-untyped-def]
    """Lanes of a block that a ray may hit up to `limit`, and those that it hits for certain.

    An error of `slack` in a height becomes slack / |slope| along the ray.
    """
    at, pane = block * (PANE_ROWS * WIDTH), tree.pane
    zero, steepest = spread(np.float32(0.0)), spread(np.float32(STEEPEST))
    slope = dot_rows(pane, at, dx, dy, dz)
    counts = slope <= load(pane, at + 20 * WIDTH)
    slope = choose(magnitude(slope) < steepest, steepest, slope)
    per_height = spread(np.float32(1.0)) / slope
    t = zero - (dot_rows(pane, at, ox, oy, oz) + load(pane, at + 3 * WIDTH)) * per_height
    slack = magnitude(per_height) * spread(np.float32(tree.slack))
    x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
    inside = lesser(
        lesser(
            edge_distance(pane, at + 4 * WIDTH, x, y, z),
            edge_distance(pane, at + 8 * WIDTH, x, y, z),
        ),
        lesser(
            edge_distance(pane, at + 12 * WIDTH, x, y, z),
            edge_distance(pane, at + 16 * WIDTH, x, y, z),
        ),
    )
    least = lesser(inside, t)
    possible = (zero - slack <= least) & (t - slack <= limit) & counts
    others = load_whole(tree.pane_facet, block * WIDTH) != spread_whole(np.int32(own_facet))
    return bits(possible & others), bits(slack < least)


@inlined
def test_boxes(tree, node, ox, oy, oz, ix, iy, iz, skip_x, skip_y, skip_z, limit):  # type: ignore[no-untyped-def]
    """Distances at which a ray enters the boxes of a node, and which it does up to `limit`.

    `skip_x` is WIDTH where the ray runs towards low x, so that it enters at the high side.
    """
    at, box = node * (BOX_ROWS * WIDTH), tree.box
    x_in, x_out = load(box, at + skip_x), load(box, at + WIDTH - skip_x)
    y_in, y_out = load(box, at + 2 * WIDTH + skip_y), load(box, at + 3 * WIDTH - skip_y)
    z_in, z_out = load(box, at + 4 * WIDTH + skip_z), load(box, at + 5 * WIDTH - skip_z)
    near = greater(
        greater((x_in - ox) * ix, (y_in - oy) * iy),
        greater((z_in - oz) * iz, spread(np.float32(0.0))),
    )
    far = lesser(lesser((x_out - ox) * ix, (y_out - oy) * iy), lesser((z_out - oz) * iz, limit))
    return near, bits(near <= far)


@inlined
def inverse(x: float) -> float:
    """1/x, at most 1e12 so that a ray in a box's face stays comparable."""
    if abs(x) < 1e-12:
        return 1e12 if x >= 0 else -1e12
    return 1.0 / x


@inlined
def reach_of(tree: Tree, t: float) -> np.float32:
    """Distance in single precision that is certainly not less than t."""
    return np.float32(t * (1.0 + SURE) + tree.slack)


@inlined
def nearest_inline(
    tree: Tree, o: Vec, d: Vec, own_facet: int, stack: NDArray[np.int32], reach: NDArray[np.float64]
) -> tuple[int, float]:
    """First triangle along a ray and the distance to it; NOTHING if there is none.

    `own_facet` is the facet the ray leaves, never hit again by a straight line. `stack` and
    `reach` are scratch space of STACK elements. For hot loops: to hand all arrays over in a call
    takes longer than the search.
    """
    cx, cy, cz = o.x - tree.centre[0], o.y - tree.centre[1], o.z - tree.centre[2]
    ox, oy, oz = spread(np.float32(cx)), spread(np.float32(cy)), spread(np.float32(cz))
    dx, dy, dz = spread(np.float32(d.x)), spread(np.float32(d.y)), spread(np.float32(d.z))
    ix, iy, iz = inverse(d.x), inverse(d.y), inverse(d.z)
    skip_x, skip_y, skip_z = WIDTH * (ix < 0.0), WIDTH * (iy < 0.0), WIDTH * (iz < 0.0)
    ix, iy, iz = spread(np.float32(ix)), spread(np.float32(iy)), spread(np.float32(iz))
    best, t = NOTHING, np.inf
    limit = spread(np.float32(np.inf))
    large, depth = 0, 0
    if len(tree.child) > 0:
        stack[0], reach[0], depth = 0, -np.inf, 1
    while large < tree.large or depth > 0:
        if large < tree.large:
            block = large
            large += 1
        else:
            depth -= 1
            node = stack[depth]
            if reach[depth] > reach_of(tree, t):
                continue
            if node >= 0:
                near, hits = test_boxes(
                    tree, node, ox, oy, oz, ix, iy, iz, skip_x, skip_y, skip_z, limit
                )
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
        possible, certain = test_panes(tree, block, ox, oy, oz, dx, dy, dz, own_facet, limit)
        while possible != 0:
            lane = lowest(possible)
            possible &= possible - 1
            place = block * WIDTH + lane
            k = tree.first[place]
            if (certain >> lane) & 1:
                hit = plane_distance(tree, k, o, d)
            else:
                hit = triangle_hit(tree, k, o, d)
                if tree.second[place] != NOTHING:
                    other = triangle_hit(tree, tree.second[place], o, d)
                    if other < hit:
                        k, hit = tree.second[place], other
            if hit < t:
                best, t = k, hit
                limit = spread(reach_of(tree, t))
    return best, t


@uncounted
def nearest(
    tree: Tree, o: Vec, d: Vec, own_facet: int, stack: NDArray[np.int32], reach: NDArray[np.float64]
) -> tuple[int, float]:
    """As `nearest_inline`."""
    return nearest_inline(tree, o, d, own_facet, stack, reach)
