"""Operations on sixteen numbers against their twins on arrays."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from raysim.kernels import lanes
from raysim.kernels.lanes import (
    TWINS,
    WIDTH,
    bits,
    choose,
    greater,
    item,
    lesser,
    load,
    load_whole,
    lowest,
    magnitude,
    spread,
    spread_whole,
)

compiled = pytest.mark.skipif(
    lanes.config.DISABLE_JIT, reason="not compiled: the twins are what runs"
)
NUMBERS = np.array([0.0, -0.0, 1.5, -2.25, 3e38, -1e-30, np.inf, -np.inf] * 8, np.float32)


def truths(pattern: int) -> np.ndarray:
    return np.array([bool(pattern >> i & 1) for i in range(WIDTH)])


def pairs() -> list[tuple[np.ndarray, np.ndarray]]:
    random = np.random.default_rng(1)
    shuffled = [random.choice(NUMBERS, WIDTH) for _ in range(60)]
    normal = [random.normal(size=WIDTH).astype(np.float32) for _ in range(60)]
    return list(zip(shuffled + normal, normal + shuffled, strict=True))


@njit
def patterns(x, y):
    a, b = load(x, 0), load(y, 0)
    return (
        bits(a < b),
        bits(a <= b),
        bits((a < b) & (b < spread(np.float32(1.0)))),
        bits(lesser(a, b) <= spread(np.float32(0.5))),
        bits(greater(a, b) <= spread(np.float32(0.5))),
        bits(choose(a < b, a, b) < spread(np.float32(0.25))),
        bits(magnitude(a) <= magnitude(b)),
    )


def expected_patterns(x, y):
    one = TWINS["_bits_twin"]
    least, greatest = TWINS["_lesser_twin"](x, y), TWINS["_greater_twin"](x, y)
    magnitude_of = TWINS["_magnitude_twin"]
    return (
        one(x < y),
        one(x <= y),
        one((x < y) & (y < TWINS["_spread_twin"](1.0))),
        one(least <= np.float32(0.5)),
        one(greatest <= np.float32(0.5)),
        one(TWINS["_choose_twin"](x < y, x, y) < np.float32(0.25)),
        one(magnitude_of(x) <= magnitude_of(y)),
    )


@njit
def items(x, y, out):
    a, b = load(x, 0), load(y, 0)
    for i in range(WIDTH):
        out[0, i] = item(a + b, i)
        out[1, i] = item(a - b, i)
        out[2, i] = item(a * b, i)
        out[3, i] = item(a / b, i)
        out[4, i] = item(magnitude(a), i)
        out[5, i] = item(lesser(a, b), i)
        out[6, i] = item(greater(a, b), i)


@compiled
def test_comparisons_and_choices() -> None:
    for x, y in pairs():
        assert patterns(x, y) == expected_patterns(x, y)


@compiled
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_arithmetic_lane_by_lane() -> None:
    out = np.empty((7, WIDTH), np.float32)
    for x, y in pairs():
        items(x, y, out)
        expected = (
            x + y,
            x - y,
            x * y,
            x / y,
            np.abs(x),
            np.where(x < y, x, y),
            np.where(x > y, x, y),
        )
        np.testing.assert_array_equal(out, np.stack(expected))


@njit
def where_not(facets, first, facet):
    return bits(load_whole(facets, first) != spread_whole(np.int32(facet)))


@njit
def lowest_of(pattern):
    return lowest(pattern)


@compiled
def test_patterns_of_truths() -> None:
    facets = np.arange(3 * WIDTH, dtype=np.int32) // 3
    for facet in range(9):
        own = facets[8 : 8 + WIDTH] != facet
        assert where_not(facets, 8, facet) == TWINS["_bits_twin"](own)
    for pattern in (1, 2, 0b1010000, 1 << 15):
        assert lowest_of(pattern) == TWINS["_lowest_twin"](pattern)
        assert TWINS["_bits_twin"](truths(pattern)) == pattern
