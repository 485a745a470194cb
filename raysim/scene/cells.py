"""The spaces that triangles part, found from the triangles alone, whatever their winding.

Around an edge the triangles that meet there are put in order of their angle; the facing sides of
neighbours look into one space. Followed over all edges this gives the cells of a connected piece:
one unbounded, the others closed. At a free rim both sides of a triangle look into one space, so
an open room has no closed cell, and a free-standing sheet parts nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from raysim.scene.edges import edge_numbers, half_edges
from raysim.scene.inside import winding_number

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SAME_ANGLE = 1e-6
LEAST_VOLUME_M3 = 1e-6
SAMPLES = 48


@dataclass(frozen=True)
class Cells:
    """Pieces of a mesh and the spaces on either side of their triangles.

    Attributes
    ----------
    piece : (m,) int
        Connected piece of each triangle.
    cell : (m, 2) int
        Cell in front of each triangle (where its normal points) and behind it.
    volume_m3, area_m2 : (c,) float
        Of each cell; the unbounded cell of a piece has the volume of the others, negative.
    home : (c,) int
        Piece each cell belongs to.
    """

    piece: Ints
    cell: Ints
    volume_m3: Array
    area_m2: Array
    home: Ints

    def closed(self) -> Ints:
        """Cells that hold a volume."""
        return np.flatnonzero(self.volume_m3 > LEAST_VOLUME_M3)

    def outer(self, piece: int) -> Ints:
        """Cells of a piece that hold no volume: what lies around it."""
        return np.flatnonzero((self.home == piece) & (self.volume_m3 <= LEAST_VOLUME_M3))


def find_cells(vertices: Array, triangles: Ints) -> Cells:
    """Pieces and cells of triangles that share their vertices.

    Parameters
    ----------
    vertices : (n, 3) float, m
    triangles : (m, 3) int
        Without duplicates; wound in any way.
    """
    count = len(triangles)
    _, number = edge_numbers(triangles)
    piece = _connected(count, *_beside(number, np.arange(3 * count) // 3))
    order, start, length = _around_edges(vertices, triangles, number)
    onward = np.arange(len(order)) + 1
    last = start + length - 1
    onward[last] = start
    here, there = order, order[onward]
    edges = half_edges(triangles)
    forward = edges[:, 0] < edges[:, 1]
    # side 0 is in front of a triangle, side 1 behind; in front is onward where it runs forward
    facing = 2 * (here // 3) + np.where(forward[here], 0, 1)
    faced = 2 * (there // 3) + np.where(forward[there], 1, 0)
    cell = _connected(2 * count, facing, faced).reshape(-1, 2)

    cells = int(cell.max()) + 1
    a, b, c = (vertices - vertices.mean(axis=0))[triangles].transpose(1, 0, 2)
    doubled = np.cross(b - a, c - a)
    volume = np.einsum("ij,ij->i", a, doubled) / 6
    area = np.linalg.norm(doubled, axis=1) / 2
    home = np.zeros(cells, dtype=np.int64)
    home[cell[:, 0]] = piece
    home[cell[:, 1]] = piece
    return Cells(
        piece=piece,
        cell=cell,
        volume_m3=_sums(cell[:, 1], volume, cells) - _sums(cell[:, 0], volume, cells),
        area_m2=_sums(cell[:, 0], area, cells) + _sums(cell[:, 1], area, cells),
        home=home,
    )


def _sums(number: Ints, amount: Array, count: int) -> Array:
    return np.asarray(np.bincount(number, amount, count), dtype=np.float64)


def _connected(count: int, one: Ints, two: Ints) -> Ints:
    graph = coo_matrix((np.ones(len(one)), (one, two)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _beside(number: Ints, triangle: Ints) -> tuple[Ints, Ints]:
    """Pairs of triangles next to each other in the list of each edge's triangles."""
    order = np.argsort(number, kind="stable")
    same = np.flatnonzero(number[order][1:] == number[order][:-1])
    return triangle[order[same]], triangle[order[same + 1]]


def _around_edges(vertices: Array, triangles: Ints, number: Ints) -> tuple[Ints, Ints, Ints]:
    """Half-edges in order of edge and, within an edge, of angle about it.

    Returns
    -------
    order : (3 m,) int
        Rows of `half_edges`.
    start, length : (e,) int
        Where each edge's rows begin in `order` and how many there are.
    """
    edges = half_edges(triangles)
    low, high = edges.min(axis=1), edges.max(axis=1)
    apex = np.roll(triangles, 1, axis=1).ravel()
    along = vertices[high] - vertices[low]
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-300)[:, None]
    spoke = vertices[apex] - vertices[low]
    spoke -= np.einsum("ij,ij->i", spoke, along)[:, None] * along

    by_edge = np.argsort(number, kind="stable")
    length = np.bincount(number)
    start = np.concatenate([[0], np.cumsum(length)[:-1]])
    first = by_edge[start][number]
    reference = spoke[first]
    across = np.cross(along, reference)
    angle = np.arctan2(
        np.einsum("ij,ij->i", spoke, across), np.einsum("ij,ij->i", spoke, reference)
    )
    angle = np.where(angle < -SAME_ANGLE, angle + 2 * np.pi, angle)

    order = np.lexsort((angle, number))
    fresh = np.ones(len(order), dtype=np.bool_)
    fresh[1:] = (np.diff(number[order]) != 0) | (np.diff(angle[order]) > SAME_ANGLE)
    if not fresh.all():
        bundle = np.cumsum(fresh)
        order = order[np.lexsort((_layer(vertices, triangles, number, spoke)[order], bundle))]
    return order, start, length


def _layer(vertices: Array, triangles: Ints, number: Ints, spoke: Array) -> Array:
    """Order of half-edges whose triangles lie on top of each other.

    Each smoothly connected patch is thought lifted by a tiny amount of its own along the plane's
    normal, so that overlapping patches are stacked the same way at every edge they share.
    """
    edges = half_edges(triangles)
    manifold = np.bincount(number)[number] == 2
    one, two = _beside(
        np.where(manifold, number, -1 - np.arange(len(number))), np.arange(len(number))
    )
    patch = _connected(len(triangles), one // 3, two // 3)
    forward = vertices[edges.max(axis=1)] - vertices[edges.min(axis=1)]
    turn = np.cross(forward, spoke)
    largest = np.abs(turn).argmax(axis=1)
    sign = np.sign(turn[np.arange(len(turn)), largest])
    return np.asarray(sign * patch[np.arange(len(edges)) // 3], dtype=np.float64)


def parents(cells: Cells, vertices: Array, triangles: Ints) -> Ints:
    """For each piece the smallest closed cell of another piece that it lies in, or -1.

    A piece lies where the larger part of its sampled area does (a rack may reach through the
    floor); what touches the boundary of a cell is not counted either way.
    """
    corners = vertices[triangles]
    order = np.argsort(cells.piece, kind="stable")
    pieces = int(cells.piece.max()) + 1
    rows = np.split(order, np.searchsorted(cells.piece[order], np.arange(1, pieces)))
    samples = [_samples(corners[r]) for r in rows]
    low = np.array([corners[r].min(axis=(0, 1)) for r in rows])
    high = np.array([corners[r].max(axis=(0, 1)) for r in rows])
    parent = np.full(pieces, -1, dtype=np.int64)
    closed = cells.closed()
    for cell in closed[np.argsort(-cells.volume_m3[closed], kind="stable")]:
        home = cells.home[cell]
        apart = (high < low[home]).any(axis=1) | (low > high[home]).any(axis=1)
        apart[home] = True
        candidates = np.flatnonzero(~apart)
        if not len(candidates):
            continue
        sides = _boundary(cells, corners, int(cell))
        for piece in candidates:
            points, weight = samples[piece]
            winding = winding_number(sides, points)
            clear = np.abs(winding - 0.5) > 0.25
            if weight[clear & (winding > 0.5)].sum() > 0.5 * weight[clear].sum():
                parent[piece] = cell
    return parent


def roomiest(cells: Cells, parent: Ints) -> int | None:
    """The closed cell with the largest volume over surface, what lies in it taken off.

    That is the air of a room rather than the solid of its walls, an object or a crack: walls
    0.3 m thick have 0.15 m, a closet of 1.6 by 1.9 by 2.3 m 0.31 m. None where nothing is closed.
    """
    closed = cells.closed()
    if not len(closed):
        return None
    volume, area = cells.volume_m3.copy(), cells.area_m2.copy()
    outer = cells.volume_m3 <= LEAST_VOLUME_M3
    around = np.where(outer, parent[cells.home], -1)
    nested = np.flatnonzero(around >= 0)
    np.add.at(volume, around[nested], cells.volume_m3[nested])
    np.add.at(area, around[nested], cells.area_m2[nested])
    return int(closed[np.argmax(volume[closed] / area[closed])])


def _boundary(cells: Cells, corners: Array, cell: int) -> Array:
    """(k, 3, 3) corners of the triangles around a cell, normals into it."""
    front, back = cells.cell[:, 0] == cell, cells.cell[:, 1] == cell
    return np.concatenate([corners[front & ~back], corners[back & ~front][:, ::-1]])


def _samples(corners: Array) -> tuple[Array, Array]:
    """Points on triangles, the largest ones first, and the area each stands for."""
    area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    pick = np.argsort(-area, kind="stable")[:SAMPLES]
    return corners[pick].mean(axis=1), area[pick]
