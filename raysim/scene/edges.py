"""Edges of triangle meshes as flat arrays: which triangles meet where."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]


def half_edges(triangles: Ints) -> Ints:
    """(3 m, 2) directed edges; rows 3 t, 3 t + 1 and 3 t + 2 belong to triangle t.

    Row 3 t + k runs from corner k to corner k + 1.
    """
    return np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2)


def edge_numbers(triangles: Ints) -> tuple[Ints, Ints]:
    """Undirected edges and the number of each half-edge's undirected edge.

    Returns
    -------
    edges : (e, 2) int
        Vertex indices, the lower first, in ascending order.
    number : (3 m,) int
        Row of `edges` for each row of `half_edges`.
    """
    pairs = np.sort(half_edges(triangles), axis=1)
    span = int(pairs.max()) + 1 if len(pairs) else 1
    keys, number = np.unique(pairs[:, 0] * span + pairs[:, 1], return_inverse=True)
    return np.stack([keys // span, keys % span], axis=1), number.ravel().astype(np.int64)


def neighbours(triangles: Ints) -> tuple[Ints, Ints]:
    """All pairs of half-edges that lie on one undirected edge.

    Returns
    -------
    first, second : (p,) int
        Rows of `half_edges`, each pair once. An edge of two triangles gives one pair, an edge of
        four triangles six.
    """
    _, number = edge_numbers(triangles)
    order = np.argsort(number, kind="stable")
    sorted_number = number[order]
    first, second = [], []
    for step in range(1, _most_common_count(sorted_number)):
        same = np.flatnonzero(sorted_number[step:] == sorted_number[:-step])
        first.append(order[same])
        second.append(order[same + step])
    if not first:
        none = np.zeros(0, dtype=np.int64)
        return none, none
    return np.concatenate(first), np.concatenate(second)


def _most_common_count(numbers: Ints) -> int:
    return int(np.bincount(numbers).max()) if len(numbers) else 0
