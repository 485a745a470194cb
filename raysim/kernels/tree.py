"""Bounding-volume tree over triangles and the nearest hit of a ray.

Each node holds the boxes of its two children side by side in single precision, rounded outward.
Triangles are tested in double precision with shared edges evaluated alike from both sides, so no
ray passes between them (Woop, Benthin, Wald 2013).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import inlined, uncounted
from raysim.kernels.vec import Vec

NOTHING = -1
GRAZE_M = 1e-9  # rounding allowance for a ray that starts on an edge
STACK = 128
FINE_M2 = 0.02
ROUNDING = 1.0 + 4 * np.finfo(np.float64).eps


class Tree(NamedTuple):
    """Nodes and triangles, triangles in leaf order.

    box : (nodes, 2, 6) float32, low xyz and high xyz of each child
    child : (nodes, 2) int32, a node, or -(leaf + 1)
    leaf : (leaves, 2) int32, first triangle and count
    corners : (m, 9) float64
    normal : (m, 3) float64, into the air
    level : (m,) float64, normal.p = level on the triangle's plane
    facet, surface, original : (m,) int32
    sheet : (m,) bool
    fine : (m,) bool, of a facet so small that it stands for a part of a curved surface
    """

    box: NDArray[np.float32]
    child: NDArray[np.int32]
    leaf: NDArray[np.int32]
    corners: NDArray[np.float64]
    normal: NDArray[np.float64]
    level: NDArray[np.float64]
    facet: NDArray[np.int32]
    surface: NDArray[np.int32]
    original: NDArray[np.int32]
    sheet: NDArray[np.bool_]
    fine: NDArray[np.bool_]


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
def inverse(x: float) -> float:
    """1/x, finite for x = 0 so that a ray in a box's face stays comparable."""
    if abs(x) < 1e-30:
        return 1e30 if x >= 0 else -1e30
    return 1.0 / x


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


@inlined
def box_entry(box: NDArray[np.float32], i: int, side: int, o: Vec, inv: Vec, t: float) -> float:
    """Distance at which a ray enters a child's box, or infinity if it misses or enters past t."""
    x1, x2 = (box[i, side, 0] - o.x) * inv.x, (box[i, side, 3] - o.x) * inv.x
    y1, y2 = (box[i, side, 1] - o.y) * inv.y, (box[i, side, 4] - o.y) * inv.y
    z1, z2 = (box[i, side, 2] - o.z) * inv.z, (box[i, side, 5] - o.z) * inv.z
    near = max(max(min(x1, x2), min(y1, y2)), min(z1, z2))
    far = min(min(max(x1, x2), max(y1, y2)), max(z1, z2)) * ROUNDING
    if far >= near and far >= -GRAZE_M and near <= t:
        return near
    return np.inf


@inlined
def plane_ahead(tree: Tree, k: int, o: Vec, d: Vec, t: float) -> bool:
    """Whether triangle k's plane may be met between the origin and t; cheap, never wrongly no."""
    n = tree.normal
    closing = -(n[k, 0] * d.x + n[k, 1] * d.y + n[k, 2] * d.z)
    height = n[k, 0] * o.x + n[k, 1] * o.y + n[k, 2] * o.z - tree.level[k]
    if closing < 0.0:
        closing, height = -closing, -height
    return not (height < -2 * GRAZE_M or height > t * closing + 2 * GRAZE_M)


@inlined
def triangle_hit(
    corners: NDArray[np.float64], k: int, s: Shear, t_best: float, sheet: bool
) -> float:
    """Distance to triangle k if it is nearer than t_best, else infinity.

    A front face counts from slightly behind the origin, a back face only clearly ahead of it:
    a ray that starts on an edge then neither slips through the adjoining face nor hits it twice.
    A sheet has two fronts at one place: a ray that leaves one must not meet the other.
    """
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
    if t >= t_best:
        return np.inf
    if det > 0.0 and not sheet:
        return t if t > -GRAZE_M else np.inf
    return t if t > GRAZE_M and (det > 0.0 or not sheet) else np.inf


@uncounted
def nearest(
    tree: Tree, o: Vec, d: Vec, own_facet: int, stack: NDArray[np.int32], reach: NDArray[np.float64]
) -> tuple[int, float]:
    """First triangle along a ray and the distance to it; NOTHING if there is none.

    `own_facet` is the facet the ray leaves, never hit again by a straight line. `stack` and
    `reach` are scratch space of STACK elements.
    """
    inv = Vec(inverse(d.x), inverse(d.y), inverse(d.z))
    s = shear_of(o, d)
    best, t = NOTHING, np.inf
    stack[0], reach[0], depth = 0, -np.inf, 1
    while depth > 0:
        depth -= 1
        if reach[depth] > t:
            continue
        node = stack[depth]
        if node < 0:
            leaf = -node - 1
            first = tree.leaf[leaf, 0]
            for k in range(first, first + tree.leaf[leaf, 1]):
                if tree.facet[k] != own_facet and plane_ahead(tree, k, o, d, t):
                    hit = triangle_hit(tree.corners, k, s, t, tree.sheet[k])
                    if hit < t:
                        best, t = k, hit
            continue
        near = box_entry(tree.box, node, 0, o, inv, t)
        far = box_entry(tree.box, node, 1, o, inv, t)
        one, two = tree.child[node, 0], tree.child[node, 1]
        if far < near:
            near, far, one, two = far, near, two, one
        if far < np.inf:
            stack[depth], reach[depth] = two, far
            depth += 1
        if near < np.inf:
            stack[depth], reach[depth] = one, near
            depth += 1
    return best, t
