"""What rays are tested against, and the tests: sixteen panes or boxes at a time, or sixteen rays.

A pane is a triangle, or two of one facet that make a convex quadrilateral. Each test in single
precision knows how far it may err. What is certain beyond that is believed; what is not goes to
the test in double precision, with shared edges evaluated alike from both sides, so that no ray
passes between triangles (Woop, Benthin, Wald 2013).
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
    facing,
    greater,
    lesser,
    load,
    magnitude,
    spread,
)
from raysim.kernels.vec import Vec, dot, row

NOTHING = -1
STACK = 1024
GRAZE_M = 1e-9  # rounding allowance for a ray that starts on an edge
FINE_M2 = 0.02
PANE_ROWS = 21
BOX_ROWS = 6
STEEPEST = 1e-6  # slope to a plane below which single precision says nothing
SURE = 4e-6  # error of single precision over the extent of a room, at right angles


class Tree(NamedTuple):
    """Triangles; panes of them in blocks of WIDTH, the largest first; boxes around blocks.

    corners : (m, 9) float64
    normal : (m, 3) float64, into the air
    facet : (m,) int32
    sheet : (m,) bool
    fine : (m,) bool, of a facet so small that it stands for a part of a curved surface
    centre : (3,) float64, origin of all that is single precision, m
    slack : float, error of single precision at right angles, m
    large : int, number of leading panes, which every ray is tested against
    leading : int, number of blocks that they fill
    roots : int, number of boxes in the first node
    pane : (blocks * PANE_ROWS * WIDTH,) float32, of each block 21 rows of WIDTH: normal and minus
        level, inward normal and offset of four edges, largest slope that counts as a hit
    pane_facet : (blocks * WIDTH,) int32
    plane : (blocks * WIDTH, 4) float64, normal of each pane and normal.p on its plane
    first, second : (blocks * WIDTH,) int32, triangles of a pane; second NOTHING where it is one
    box : (nodes * BOX_ROWS * WIDTH,) float32, of each node low x, high x, low y .. high z
    child : (nodes * WIDTH,) int32, a node, or -(block + 1)
    """

    corners: NDArray[np.float64]
    normal: NDArray[np.float64]
    facet: NDArray[np.int32]
    sheet: NDArray[np.bool_]
    fine: NDArray[np.bool_]
    centre: NDArray[np.float64]
    slack: float
    large: int
    leading: int
    roots: int
    pane: NDArray[np.float32]
    pane_facet: NDArray[np.int32]
    plane: NDArray[np.float64]
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
def plane_distance(tree: Tree, place: int, o: Vec, d: Vec) -> float:
    """Distance along a ray to the plane of the pane at `place`."""
    n = row(tree.plane, place)
    return (tree.plane[place, 3] - dot(n, o)) / dot(n, d)


@inlined
def slope_to(table, at, d, x):  # type: ignore[no-untyped-def]
    """How fast directions leave a plane; of what rows of a table have for x, see `facing`."""
    return (
        facing(table, at, x) * d.x
        + facing(table, at + WIDTH, x) * d.y
        + facing(table, at + 2 * WIDTH, x) * d.z
    )


@inlined
def height(table, at, p, x):  # type: ignore[no-untyped-def]
    """How far above a plane, or inside an edge, points lie, m."""
    return slope_to(table, at, p, x) + facing(table, at + 3 * WIDTH, x)


@inlined
def test_panes(tree, at, o, d):  # type: ignore[no-untyped-def]
    """Sixteen panes from `at` on and one ray, or the pane at `at` and sixteen rays.

    Gives the distance to the plane, how far it may err, how far inside the edges and ahead the
    hit lies, and whether a hit on this side counts. An error of `slack` in a height becomes
    slack / |slope| along the ray.
    """
    pane = tree.pane
    steepest = spread(np.float32(STEEPEST))
    slope = slope_to(pane, at, d, o.x)
    counts = slope <= facing(pane, at + 20 * WIDTH, o.x)
    slope = choose(magnitude(slope) < steepest, steepest, slope)
    per_height = np.float32(-1.0) / slope
    t = height(pane, at, o, o.x) * per_height
    p = Vec(o.x + t * d.x, o.y + t * d.y, o.z + t * d.z)
    inside = lesser(
        lesser(
            height(pane, at + 4 * WIDTH, p, o.x),
            height(pane, at + 8 * WIDTH, p, o.x),
        ),
        lesser(
            height(pane, at + 12 * WIDTH, p, o.x),
            height(pane, at + 16 * WIDTH, p, o.x),
        ),
    )
    return t, magnitude(per_height) * np.float32(tree.slack), lesser(inside, t), counts


@inlined
def test_boxes(tree, node, near, limit):  # type: ignore[no-untyped-def]
    """Distances at which a ray enters the boxes of a node, and which it does up to `limit`.

    Where it runs towards low x it enters at the high side.
    """
    at, box, back, inward = node * (BOX_ROWS * WIDTH), tree.box, near.back, near.inward
    x, y, z = WIDTH * (inward.x < 0.0), WIDTH * (inward.y < 0.0), WIDTH * (inward.z < 0.0)
    x_in, x_out = load(box, at + x), load(box, at + WIDTH - x)
    y_in, y_out = load(box, at + 2 * WIDTH + y), load(box, at + 3 * WIDTH - y)
    z_in, z_out = load(box, at + 4 * WIDTH + z), load(box, at + 5 * WIDTH - z)
    enter = greater(
        greater(x_in * inward.x - back.x, y_in * inward.y - back.y),
        greater(z_in * inward.z - back.z, spread(np.float32(0.0))),
    )
    far = lesser(
        lesser(x_out * inward.x - back.x, y_out * inward.y - back.y),
        lesser(z_out * inward.z - back.z, limit),
    )
    return enter, bits(enter <= far)


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
