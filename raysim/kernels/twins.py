"""The operations of `lanes` on NumPy arrays of sixteen: what runs where nothing is compiled."""

from __future__ import annotations

from typing import Any

import numpy as np

WIDTH = 16


def spread(x: float) -> Any:
    """X in all lanes."""
    return np.full(WIDTH, x, np.asarray(x).dtype)


def load(data: Any, first: int) -> Any:
    """Sixteen elements from number `first` on, rows running on."""
    return data.reshape(-1)[first : first + WIDTH].copy()


def store(data: Any, first: int, x: Any) -> None:
    """Overwrite sixteen elements from number `first` on."""
    data.reshape(-1)[first : first + WIDTH] = x


def gather(data: Any, which: Any) -> Any:
    """Elements of those numbers, rows running on."""
    return data.reshape(-1)[which]


def prefetch(data: Any, first: int) -> None:
    """Nothing to do: an array is where it is."""


def facing(data: Any, first: int, other: Any) -> Any:
    """Of a table, sixteen elements for one number, one for sixteen."""
    return data[first] if np.ndim(other) else data[first : first + WIDTH]


def bits(pattern: Any) -> Any:
    """Pattern of which bit i is lane i."""
    return int((pattern * (1 << np.arange(WIDTH))).sum())


def truths(pattern: int) -> Any:
    """Opposite of `bits`."""
    return (pattern >> np.arange(WIDTH)) & 1 == 1


def lowest(pattern: Any) -> int:
    """Number of the lowest bit set, of a pattern that is not 0."""
    return (pattern & -pattern).bit_length() - 1


def how_many(pattern: Any) -> int:
    """Number of bits set."""
    return int(pattern).bit_count()


def item(x: Any, lane: int) -> Any:
    """What one lane holds."""
    return x[lane]


def choose(where: Any, x: Any, y: Any) -> Any:
    """X where true, else y."""
    return np.where(where, x, y)


def lesser(x: Any, y: Any) -> Any:
    """X where it is less, else y."""
    return np.where(x < y, x, y)


def greater(x: Any, y: Any) -> Any:
    """X where it is greater, else y."""
    return np.where(x > y, x, y)


def total_of(x: Any) -> Any:
    """Sum over lanes."""
    return x.sum()


def largest_of(x: Any) -> Any:
    """Largest over lanes."""
    return x.max()


def magnitude(x: Any) -> Any:
    """Without signs."""
    return np.abs(x)


def root(x: Any) -> Any:
    """Square root."""
    return np.sqrt(x)


def single(x: Any) -> Any:
    """To single precision."""
    return np.float32(x)


def fraction(z: Any) -> Any:
    """Of 64 random bits a number uniform on [0, 1)."""
    return (z >> np.uint64(11)) * 2.0**-53


def whole(x: Any) -> Any:
    """Without fractions."""
    return np.int32(x)


def real(x: Any) -> Any:
    """Whole numbers in double precision."""
    return np.float64(x)


def recast(x: Any) -> Any:
    """The 64 bits of a number of double precision, and back."""
    return x.view(np.uint64 if x.dtype == np.float64 else np.float64)
