"""What sources send into a direction: tables by azimuth and elevation in each source's frame."""

from __future__ import annotations

from math import asin, atan2, pi
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import compiled, inlined
from raysim.kernels.vec import Vec, dot, row


class Emission(NamedTuple):
    """Energy of each source by direction.

    energy : (sources, azimuths, elevations, bands), re the source's axis; azimuths start ahead,
        grow to the right and close the circle; elevations run from below to above, both included
    frame : (sources, 3, 3), rows are unit vectors ahead, right and top
    """

    energy: NDArray[np.float64]
    frame: NDArray[np.float64]


@inlined
def emit(emission: Emission, source: int, d: Vec, out: NDArray[np.float64]) -> None:
    """Energy of a source into unit direction d, bilinear between the table's angles.

    out : (bands,), overwritten; exactly 1 where the table is 1.
    """
    table, frame = emission.energy[source], emission.frame[source]
    azimuths, elevations = table.shape[0], table.shape[1]
    x, y, z = dot(row(frame, 0), d), dot(row(frame, 1), d), dot(row(frame, 2), d)
    turn = atan2(y, x) / (2 * pi)
    a = (turn - np.floor(turn)) * azimuths
    e = (asin(min(1.0, max(-1.0, z))) / pi + 0.5) * (elevations - 1)
    i, j = int(a) % azimuths, min(int(e), elevations - 2)
    u, v = a - int(a), e - j
    after = (i + 1) % azimuths
    for b in range(table.shape[2]):
        low = table[i, j, b] + u * (table[after, j, b] - table[i, j, b])
        high = table[i, j + 1, b] + u * (table[after, j + 1, b] - table[i, j + 1, b])
        out[b] = low + v * (high - low)


@compiled
def emit_each(
    emission: Emission, source: int, directions: NDArray[np.float64], out: NDArray[np.float64]
) -> None:
    """Energy of a source into unit directions : (n, 3), out : (n, bands)."""
    for k in range(len(directions)):
        emit(emission, source, row(directions, k), out[k])
