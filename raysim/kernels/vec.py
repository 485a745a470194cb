"""Points and directions as three scalars, or three times sixteen, that stay in registers.

Short names used in kernels: o origin, d direction, t distance along d, n normal, p point,
u uniform number.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import inlined
from raysim.kernels.lanes import WIDTH, load, root, store


class Vec(NamedTuple):
    """A point (m) or a direction."""

    x: float
    y: float
    z: float


@inlined
def dot(a: Vec, b: Vec) -> float:
    """Scalar product."""
    return a.x * b.x + a.y * b.y + a.z * b.z


@inlined
def sub(a: Vec, b: Vec) -> Vec:
    """A - b."""
    return Vec(a.x - b.x, a.y - b.y, a.z - b.z)


@inlined
def along(o: Vec, t: float, d: Vec) -> Vec:
    """O + t d."""
    return Vec(o.x + t * d.x, o.y + t * d.y, o.z + t * d.z)


@inlined
def unit(a: Vec) -> Vec:
    """A / |a|."""
    shrink = 1.0 / root(dot(a, a))
    return Vec(a.x * shrink, a.y * shrink, a.z * shrink)


@inlined
def row(table: NDArray[np.float64], i: int) -> Vec:
    """Row i of an (n, 3) array."""
    return Vec(table[i, 0], table[i, 1], table[i, 2])


@inlined
def set_row(table: NDArray[np.float64], i: int, a: Vec) -> None:
    """Overwrite row i of an (n, 3) array."""
    table[i, 0], table[i, 1], table[i, 2] = a.x, a.y, a.z


@inlined
def load_vec(table: NDArray[np.float64]) -> Vec:
    """Columns of a (3, WIDTH) array side by side."""
    return Vec(load(table, 0), load(table, WIDTH), load(table, 2 * WIDTH))


@inlined
def store_vec(table: NDArray[np.float64], a: Vec) -> None:
    """Opposite of `load_vec`."""
    store(table, 0, a.x)
    store(table, WIDTH, a.y)
    store(table, 2 * WIDTH, a.z)


@inlined
def column(table: NDArray[np.float64], i: int) -> Vec:
    """Column i of a (3, n) array."""
    return Vec(table[0, i], table[1, i], table[2, i])


@inlined
def set_column(table: NDArray[np.float64], i: int, a: Vec) -> None:
    """Overwrite column i of a (3, n) array."""
    table[0, i], table[1, i], table[2, i] = a.x, a.y, a.z
