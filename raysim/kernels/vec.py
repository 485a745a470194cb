"""Points and directions as three scalars that stay in registers.

Short names used in kernels: o origin, d direction, t distance along d, n normal, p point,
u uniform number.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import inlined


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
    length = sqrt(dot(a, a))
    return Vec(a.x / length, a.y / length, a.z / length)


@inlined
def row(table: NDArray[np.float64], i: int) -> Vec:
    """Row i of an (n, 3) array."""
    return Vec(table[i, 0], table[i, 1], table[i, 2])
