"""Operations on sixteen numbers against their twins on arrays."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from raysim.kernels import lanes, twins
from raysim.kernels.exponential import exponential
from raysim.kernels.lanes import (
    ALL,
    WIDTH,
    bits,
    choose,
    facing,
    fraction,
    gather,
    greater,
    how_many,
    item,
    lesser,
    load,
    lowest,
    magnitude,
    real,
    recast,
    root,
    single,
    spread,
    store,
    truths,
    whole,
)

compiled = pytest.mark.skipif(
    lanes.config.DISABLE_JIT, reason="not compiled: the twins are what runs"
)
NUMBERS = [0.0, -0.0, 1.5, -2.25, 3e38, -1e-30, np.inf, -np.inf]
KINDS = (np.float32, np.float64)


def pairs(kind: type) -> list[tuple[np.ndarray, np.ndarray]]:
    random = np.random.default_rng(1)
    shuffled = [random.choice(NUMBERS, WIDTH).astype(kind) for _ in range(60)]
    normal = [random.normal(size=WIDTH).astype(kind) for _ in range(60)]
    return list(zip(shuffled + normal, normal + shuffled, strict=True))


@njit
def patterns(x, y, half):
    a, b = load(x, 0), load(y, 0)
    return (
        bits(a < b),
        bits(a <= b),
        bits((a < b) & (b < half)),
        bits(half <= lesser(a, b)),
        bits(greater(a, b) <= spread(half)),
        bits(choose(a < b, a, b) < half),
        bits(magnitude(a) <= magnitude(b)),
    )


def expected_patterns(x, y, half):
    one = twins.bits
    least, greatest = twins.lesser(x, y), twins.greater(x, y)
    magnitude_of = twins.magnitude
    return (
        one(x < y),
        one(x <= y),
        one((x < y) & (y < half)),
        one(half <= least),
        one(greatest <= twins.spread(half)),
        one(twins.choose(x < y, x, y) < half),
        one(magnitude_of(x) <= magnitude_of(y)),
    )


@njit
def results(x, y, half, out):
    a, b = load(x, 0), load(y, 0)
    store(out, 0, a + b)
    store(out, WIDTH, a - half)
    store(out, 2 * WIDTH, half * b)
    store(out, 3 * WIDTH, a / b)
    store(out, 4 * WIDTH, magnitude(a))
    store(out, 5 * WIDTH, lesser(a, b))
    store(out, 6 * WIDTH, greater(a, b))
    store(out, 7 * WIDTH, root(magnitude(b)))
    for i in range(WIDTH):
        out[8, i] = item(a, i)


@compiled
@pytest.mark.parametrize("kind", KINDS)
def test_comparisons_and_choices(kind: type) -> None:
    for x, y in pairs(kind):
        assert patterns(x, y, kind(0.5)) == expected_patterns(x, y, kind(0.5))


@compiled
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_arithmetic_lane_by_lane(kind: type) -> None:
    out, half = np.empty((9, WIDTH), kind), kind(0.5)
    for x, y in pairs(kind):
        results(x, y, half, out)
        expected = (
            x + y,
            x - half,
            half * y,
            x / y,
            np.abs(x),
            np.where(x < y, x, y),
            np.where(x > y, x, y),
            twins.root(np.abs(y)),
            x,
        )
        np.testing.assert_array_equal(out, np.stack(expected))


@njit
def to_single(x, out):
    store(out, 0, single(load(x, 0)))


@njit
def faced(table, first, x, y):
    for_one, for_many = facing(table, first, x), facing(table, first, load(y, 0))
    return bits(for_one < x), for_many


@compiled
def test_single_precision_and_tables() -> None:
    x, out = np.random.default_rng(2).normal(size=WIDTH), np.empty(WIDTH, np.float32)
    to_single(x, out)
    np.testing.assert_array_equal(out, twins.single(x))
    table, twin = np.arange(3 * WIDTH, dtype=np.float32), twins.facing
    below, one = faced(table, 5, np.float32(9.0), out)
    assert below == twins.bits(twin(table, 5, np.float32(9.0)) < 9.0)
    assert one == twin(table, 5, out) == 5.0


@njit
def looked_up(numbers, whole_numbers, which, out, out_whole):
    n = load(which, 0)
    store(out, 0, gather(numbers, n))
    store(out_whole, 0, gather(whole_numbers, n * np.int32(2) + np.int32(1)))
    few = bits(n <= np.int32(30)) & bits(n != np.int32(7))
    return gather(numbers, which[3]), gather(whole_numbers, which[4]), few


@compiled
def test_elements_of_a_table() -> None:
    random = np.random.default_rng(6)
    numbers, whole_numbers = random.normal(size=(9, 11)), np.arange(300, 100, -1, dtype=np.int32)
    which = random.integers(0, 99, WIDTH).astype(np.int32)
    which[:3] = 0, 98, 7
    out, out_whole = np.empty(WIDTH), np.empty(WIDTH, np.int32)
    one, one_whole, few = looked_up(numbers, whole_numbers, which, out, out_whole)
    np.testing.assert_array_equal(out, twins.gather(numbers, which))
    np.testing.assert_array_equal(out, numbers.reshape(-1)[which])
    np.testing.assert_array_equal(out_whole, 300 - (2 * which + 1))
    assert (one, one_whole) == (out[3], 300 - which[4])
    assert few == twins.bits((which <= 30) & (which != 7))


@njit
def without_fraction(x, out_whole, out):
    n = whole(load(x, 0))
    store(out_whole, 0, n)
    store(out, 0, real(n))
    return whole(x[3]), real(whole(x[3]))


@compiled
def test_whole_numbers() -> None:
    x, out = np.linspace(0.0, 64.0, WIDTH), np.empty(WIDTH)
    out_whole = np.empty(WIDTH, np.int32)
    one = without_fraction(x, out_whole, out)
    np.testing.assert_array_equal(out_whole, twins.whole(x))
    np.testing.assert_array_equal(out, twins.real(twins.whole(x)))
    np.testing.assert_array_equal(out, np.floor(x))
    assert one == (out_whole[3], out[3])


@njit
def scrambled(x, by, out):
    a = load(x, 0)
    store(out, 0, ((a ^ (a >> np.uint64(30))) * by) + a)


@njit
def fractions(x, out):
    store(out, 0, fraction(load(x, 0)))
    return fraction(x[3])


@compiled
def test_random_bits() -> None:
    x = np.random.default_rng(3).integers(0, 2**64 - 1, WIDTH, np.uint64)
    out, by = np.empty(WIDTH, np.uint64), np.uint64(0xBF58476D1CE4E5B9)
    scrambled(x, by, out)
    np.testing.assert_array_equal(out, (x ^ (x >> np.uint64(30))) * by + x)
    part = np.empty(WIDTH)
    fourth = fractions(x, part)
    np.testing.assert_array_equal(part, twins.fraction(x))
    assert fourth == part[3]
    assert np.all((part >= 0) & (part < 1))


@njit
def there_and_back(x, words, doubles):
    a = recast(load(x, 0))
    store(words, 0, a)
    store(doubles, 0, recast(a))


@compiled
def test_bits_of_numbers() -> None:
    x, words, doubles = np.geomspace(1e-300, 1e300, WIDTH), np.empty(WIDTH, np.uint64), np.ones(16)
    there_and_back(x, words, doubles)
    np.testing.assert_array_equal(words, twins.recast(x))
    np.testing.assert_array_equal(doubles, x)


@njit
def exponentials(x, out):
    store(out, 0, exponential(load(x, 0)))


def test_exponential() -> None:
    """Against NumPy's: within 2 units of the last place from 0 to where results are denormal."""
    random, out = np.random.default_rng(4), np.empty(WIDTH)
    for scale in (1e-300, 1e-9, 1e-3, 1.0, 30.0, 708.0):
        for _ in range(40):
            x = -scale * random.random(WIDTH)
            exponentials(x, out)
            np.testing.assert_allclose(out, np.exp(x), rtol=2**-51)
    exponentials(np.array([0.0, -0.0, -np.inf, -1e9, -709.0, np.nan, *np.zeros(10)]), out)
    assert np.all(out[[0, 1]] == 1.0)
    np.testing.assert_allclose(out[2:6], np.exp(-708.0), rtol=2**-51)


@njit
def where_not(facets, first, facet):
    return bits(load(facets, first) != facet)


@njit
def of_pattern(pattern):
    return lowest(pattern), how_many(pattern), bits(truths(pattern))


@compiled
def test_patterns_of_truths() -> None:
    facets = np.arange(3 * WIDTH, dtype=np.int32) // 3
    for facet in range(9):
        own = facets[8 : 8 + WIDTH] != facet
        assert where_not(facets, 8, np.int32(facet)) == twins.bits(own)
    for pattern in (1, 2, 0b1010000, 1 << 15, ALL):
        there = twins.truths(pattern)
        assert of_pattern(pattern) == (
            twins.lowest(pattern),
            twins.how_many(pattern),
            twins.bits(there),
        )
        assert twins.bits(there) == pattern
