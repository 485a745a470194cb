"""What each patch on the way of a ray does to what its arrivals bring.

A contribution E whose path met a patch n times has dE/da = -n E / (1 - a). A ray's arrivals are
kept until it ends, or until no more can be kept; then each receiver's are gone through from the
latest back, so that every patch is met once with the sum of all that came after it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import inlined
from raysim.kernels.lanes import WIDTH, lowest, prefetch

LONGEST = 4096  # reflections a path may have and still be told by its patches
KEPT = 256  # changes kept of each ray
NONE = -1
AHEAD = 8  # patches by which sums are fetched before they are asked for


class Path(NamedTuple):
    """Ways of WIDTH rays and what has arrived along them.

    patch : (LONGEST, WIDTH) patches met; inverse : (LONGEST, WIDTH, bands) 1 / (1 - a) there
    number : (WIDTH,) changes kept
    last : (WIDTH, quantities, receivers) the latest change of each, or NONE
    earlier : (kept, WIDTH) the change of the same before it, or NONE
    order : (kept, WIDTH) number of patches met by then
    change : (kept, WIDTH, bands) of the quantity, by an arrival
    after : (bands,) sum of what came after a patch
    """

    patch: NDArray[np.int32]
    inverse: NDArray[np.float64]
    number: NDArray[np.int64]
    last: NDArray[np.int64]
    earlier: NDArray[np.int32]
    order: NDArray[np.int32]
    change: NDArray[np.float64]
    after: NDArray[np.float64]


def new_path(bands: int, quantities: int, receivers: int) -> Path:
    """Allocate ways without reflections."""
    return Path(
        np.empty((LONGEST, WIDTH), np.int32),
        np.empty((LONGEST, WIDTH, bands)),
        np.zeros(WIDTH, np.int64),
        np.full((WIDTH, quantities, receivers), NONE),
        np.empty((KEPT, WIDTH), np.int32),
        np.empty((KEPT, WIDTH), np.int32),
        np.empty((KEPT, WIDTH, bands)),
        np.empty(bands),
    )


@inlined
def keep_change(
    path: Path,
    lane: int,
    q: int,
    r: int,
    order: int,
    energy: NDArray[np.float64],
    weight: NDArray[np.float64],
    slope: NDArray[np.float64],
) -> None:
    """Keep what an arrival of energy : (bands,) changes of a quantity, weight : (bands,) each."""
    if path.number[lane] == len(path.earlier):
        settle(path, lane, slope)
    k = path.number[lane]
    path.number[lane] = k + 1
    path.earlier[k, lane], path.last[lane, q, r] = path.last[lane, q, r], k
    path.order[k, lane] = order
    for b in range(len(energy)):
        path.change[k, lane, b] = energy[b] * weight[b]


@inlined
def settle(path: Path, lane: int, slope: NDArray[np.float64]) -> None:
    """Add what has been kept of a ray to slope : (quantities, receivers, patches, bands)."""
    if path.number[lane] == 0:
        return
    for q in range(path.last.shape[1]):
        for r in range(path.last.shape[2]):
            go_back(path, lane, q, r, slope)
            path.last[lane, q, r] = NONE
    path.number[lane] = 0


@inlined
def fetch(slope: NDArray[np.float64], q: int, r: int, patch: int) -> None:
    """Let the processor fetch the sums of a patch."""
    _, receivers, patches, bands = slope.shape
    first = ((q * receivers + r) * patches + patch) * bands
    prefetch(slope, first)
    prefetch(slope, first + bands - 1)


@inlined
def go_back(path: Path, lane: int, q: int, r: int, slope: NDArray[np.float64]) -> None:
    """Walk back from the latest arrival at a receiver to the source."""
    k = path.last[lane, q, r]
    i = path.order[k, lane] if k != NONE else 0
    path.after[:] = 0.0
    while i > 0:
        while k != NONE and path.order[k, lane] == i:
            for b in range(len(path.after)):
                path.after[b] += path.change[k, lane, b]
            k = np.int64(path.earlier[k, lane])
        i -= 1
        if i >= AHEAD:
            fetch(slope, q, r, path.patch[i - AHEAD, lane])
        patch = path.patch[i, lane]
        for b in range(len(path.after)):
            slope[q, r, patch, b] -= path.after[b] * path.inverse[i, lane, b]


@inlined
def settle_all(path: Path, gone: int, slope: NDArray[np.float64]) -> None:
    """Settle the rays of a pattern."""
    while gone != 0:
        lane = lowest(gone)
        gone &= gone - 1
        settle(path, lane, slope)
