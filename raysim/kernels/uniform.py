"""Random numbers without state: a pure function of seed, source, batch, round, ray and draw.

The mixing function is the output step of SplitMix64 (Steele, Lea, Flood 2014; variant 13 of
Stafford): draw k of a stream is mix(stream + (k + 1) * GOLDEN).
"""

from __future__ import annotations

import numpy as np

from raysim.kernels.compiled import exposed, inlined
from raysim.kernels.lanes import fraction

GOLDEN = np.uint64(0x9E3779B97F4A7C15)
FIRST = np.uint64(0xBF58476D1CE4E5B9)
SECOND = np.uint64(0x94D049BB133111EB)
SHIFT_30 = np.uint64(30)
SHIFT_27 = np.uint64(27)
SHIFT_31 = np.uint64(31)
ONE = np.uint64(1)


@inlined
def mix(z: np.uint64) -> np.uint64:
    """Scramble 64 bits; a bijection."""
    z = (z ^ (z >> SHIFT_30)) * FIRST
    z = (z ^ (z >> SHIFT_27)) * SECOND
    return z ^ (z >> SHIFT_31)


@exposed
def branch(stream: np.uint64, index: int) -> np.uint64:
    """Stream number `index` below `stream`; streams of different indices are unrelated."""
    return mix(mix(stream + GOLDEN) ^ mix((np.uint64(index) + ONE) * GOLDEN))


@exposed
def uniform(stream: np.uint64, draw: int) -> float:
    """Draw number `draw` of a stream: uniform on [0, 1), 53 bits."""
    return fraction(mix(counter(stream, draw)))


@inlined
def counter(stream: np.uint64, draw: int) -> np.uint64:
    """Where draw number `draw` of a stream stands, for `ahead`."""
    return stream + (np.uint64(draw) + ONE) * GOLDEN


@inlined
def ahead(counter, draw):  # type: ignore[no-untyped-def]
    """As `uniform`, `draw` draws after the counter of one stream or of sixteen."""
    return fraction(mix(counter + np.uint64(draw) * GOLDEN))
