"""Keys of mirrored paths: 64 bits told by source, facets met, receiver."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import exposed, inlined
from raysim.kernels.uniform import FIRST, branch


@exposed
def source_key(source: int) -> np.uint64:
    """Start of the keys of all paths from a source."""
    return branch(FIRST, source)


@exposed
def key_after(key: np.uint64, facet: int) -> np.uint64:
    """Key of a path that meets one more facet; or of one that ends at a receiver."""
    return branch(key, facet)


@inlined
def holds(keys: NDArray[np.uint64], key: np.uint64) -> bool:
    """Whether a sorted array has a key."""
    low, high = 0, len(keys)
    while low < high:
        middle = (low + high) >> 1
        if keys[middle] < key:
            low = middle + 1
        else:
            high = middle
    return low < len(keys) and keys[low] == key
