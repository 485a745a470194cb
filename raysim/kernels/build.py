"""Builds what rays are tested against: panes in blocks, boxes around blocks."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.boxes import grow
from raysim.kernels.compiled import compiled
from raysim.kernels.lanes import WIDTH
from raysim.kernels.memory import aligned
from raysim.kernels.tree import BOX_ROWS, FINE_M2, NOTHING, PANE_ROWS, STEEPEST, SURE, Tree

Array = NDArray[np.float64]
SQUARE_M2 = 1e-9  # smallest product of two edges at a corner of a quadrilateral
FLAT_M = 1e-9  # two triangles are one pane if they lie in one plane to this
NO_EDGE_M = 1e9  # distance to what is not there
NO_PANE = np.array([0.0] * 3 + [1.0] + [0.0] * (PANE_ROWS - 4), np.float32)  # never ahead
LARGE = 32  # panes at most that every ray is tested against
LARGE_SHARE = 0.01  # of all area that each of them has at least


class Panes(NamedTuple):
    """Triangles, or pairs of them that make a convex quadrilateral.

    first, second : (panes,) int64, triangles; second NOTHING where the pane is one
    corner : (panes, 4, 3) m, anticlockwise seen from the air; the last repeated in a triangle
    area : (panes,) m2
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    corner: Array
    area: Array


def shared_edges(corners: Array, facet: NDArray[np.int64]) -> NDArray[np.int64]:
    """(pairs, 4): two triangles of one facet, and the corner of each opposite their edge."""
    _, vertex = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    vertex = vertex.reshape(-1, 3)
    triangle, side = np.divmod(np.arange(3 * len(corners)), 3)
    start, end = vertex[triangle, side], vertex[triangle, (side + 1) % 3]
    order = np.lexsort(
        (start > end, np.maximum(start, end), np.minimum(start, end), facet[triangle])
    )
    one, two = order[:-1], order[1:]
    pair = (
        (start[one] == end[two])
        & (end[one] == start[two])
        & (facet[triangle[one]] == facet[triangle[two]])
    )
    one, two = one[pair], two[pair]
    columns = triangle[one], triangle[two], (side[one] + 2) % 3, (side[two] + 2) % 3
    return np.stack(columns, axis=1)


def inward(corner: Array, normal: Array) -> Array:
    """(n, 4, 3) unit vectors in the plane, towards the inside of each edge; 0 for no edge."""
    along = np.roll(corner, -1, axis=1) - corner
    across = np.cross(normal[:, None], along)
    length = np.linalg.norm(across, axis=-1, keepdims=True)
    return np.divide(across, length, out=np.zeros_like(across), where=length > 0)


@compiled
def choose_pairs(pairs, taken, kept) -> None:  # type: ignore[no-untyped-def]
    """Note whether each pair is kept: the first that meet no triangle `taken` before."""
    for i in range(len(pairs)):
        if not taken[pairs[i, 0]] and not taken[pairs[i, 1]]:
            taken[pairs[i, 0]] = taken[pairs[i, 1]] = kept[i] = True


def find_panes(corners: Array, normal: Array, area: Array, facet: NDArray[np.int64]) -> Panes:
    """Pairs of triangles while they last, the largest first, and the triangles left over."""
    pairs = shared_edges(corners, facet)
    one, two, apex_one, apex_two = pairs.T
    quad = np.stack(
        [
            corners[one, apex_one],
            corners[one, (apex_one + 1) % 3],
            corners[two, apex_two],
            corners[one, (apex_one + 2) % 3],
        ],
        axis=1,
    )
    along = np.roll(quad, -1, axis=1) - quad
    turn = (np.cross(np.roll(along, 1, axis=1), along) * normal[one, None]).sum(axis=-1)
    height = np.abs(((quad[:, 2] - quad[:, 0]) * normal[one]).sum(axis=-1))
    good = np.flatnonzero((turn.min(axis=1) > SQUARE_M2) & (height < FLAT_M))
    good = good[np.argsort(-(area[one] + area[two])[good], kind="stable")]
    taken = np.zeros(len(corners), np.bool_)
    kept = np.zeros(len(good), np.bool_)
    choose_pairs(pairs[good, :2], taken, kept)
    good = good[kept]
    alone = np.flatnonzero(~taken)
    return Panes(
        np.concatenate([one[good], alone]),
        np.concatenate([two[good], np.full(len(alone), NOTHING)]),
        np.concatenate([quad[good], corners[alone][:, [0, 1, 2, 2]]]),
        np.concatenate([area[one[good]] + area[two[good]], area[alone]]),
    )


def table_of(panes: Panes, normal: Array, sheet: NDArray[np.bool_], centre: Array) -> Array:
    """(panes, PANE_ROWS) what a ray is tested against, see `Tree`."""
    corner, n = panes.corner - centre, normal[panes.first]
    edge = inward(corner, n)
    offset = -(edge * corner).sum(axis=-1)
    offset[~edge.any(axis=-1)] = NO_EDGE_M
    level = (n * corner[:, 0]).sum(axis=-1)
    edges = np.concatenate([edge, offset[..., None]], axis=-1).reshape(-1, 16)
    largest_slope = np.where(sheet[panes.first], STEEPEST, 2.0)
    return np.concatenate([n, -level[:, None], edges, largest_slope[:, None]], axis=1)


def build_tree(
    corners: Array,
    facet: NDArray[np.int64],
    sheet: NDArray[np.bool_],
) -> Tree:
    """Blocks of panes, the largest panes first, and boxes around the blocks of the rest.

    Parameters
    ----------
    corners : (m, 3, 3) float, m
        Normals by the right-hand rule point into the air.
    facet : (m,) int
    sheet : (m,) bool
    """
    centre = (corners.min(axis=(0, 1)) + corners.max(axis=(0, 1))) / 2
    slack = SURE * float(np.abs(corners - centre).max())
    a, b, c = corners.transpose(1, 0, 2)
    normal = np.cross(b - a, c - a)
    twice_area = np.linalg.norm(normal, axis=1)
    normal /= twice_area[:, None]
    level = (normal * a).sum(axis=1)
    panes = find_panes(corners, normal, twice_area / 2, facet)
    large, slot, box, child = arrange(panes, centre, slack)
    empty = slot < 0
    table = table_of(panes, normal, sheet, centre).astype(np.float32)
    rows = np.ascontiguousarray(table[slot].transpose(0, 2, 1))
    rows.transpose(0, 2, 1)[empty] = NO_PANE
    return Tree(
        corners=np.ascontiguousarray(corners.reshape(-1, 9)),
        normal=np.ascontiguousarray(normal),
        facet=facet.astype(np.int32),
        sheet=np.ascontiguousarray(sheet),
        fine=(np.bincount(facet, twice_area / 2) < FINE_M2)[facet],
        centre=centre,
        slack=slack,
        large=large,
        leading=-(-large // WIDTH),
        roots=int(np.count_nonzero(child[:1])),
        pane=aligned(rows.reshape(-1)),
        pane_facet=facet[panes.first[slot]].astype(np.int32).reshape(-1),
        plane=aligned(np.column_stack([normal, level])[panes.first[slot].reshape(-1)]),
        first=panes.first[slot].astype(np.int32).reshape(-1),
        second=panes.second[slot].astype(np.int32).reshape(-1),
        box=aligned(box.reshape(-1)),
        child=aligned(child.reshape(-1)),
    )


def arrange(
    panes: Panes, centre: Array, slack: float
) -> tuple[int, NDArray[np.int64], NDArray[np.float32], NDArray[np.int32]]:
    """Which panes go where.

    Returns
    -------
    large : number of leading panes
    slot : (blocks, WIDTH) pane of each place, -1 for none
    box : (nodes, BOX_ROWS, WIDTH), `slack` larger than what they hold
    child : (nodes, WIDTH)
    """
    order = np.argsort(-panes.area, kind="stable")
    large = min(LARGE, int((panes.area >= LARGE_SHARE * panes.area.sum()).sum()))
    blocks = -(-large // WIDTH)
    leading = np.full(blocks * WIDTH, -1)
    leading[:large] = order[:large]
    rest = order[large:]
    slot = np.full((len(rest), WIDTH), -1)
    box = np.empty((len(rest), BOX_ROWS, WIDTH), np.float32)
    box[:, 0::2], box[:, 1::2] = NO_EDGE_M, -NO_EDGE_M
    child = np.zeros((len(rest), WIDTH), np.int32)
    nodes, leaves = 0, 0
    if len(rest):
        corner = panes.corner - centre
        low, high = corner.min(axis=1) - slack, corner.max(axis=1) + slack
        nodes, leaves = grow(low, high, rest, blocks, box, child, slot)
    slot = np.concatenate([leading.reshape(-1, WIDTH), slot[:leaves]])
    return large, slot, box[:nodes].copy(), child[:nodes].copy()
