"""Threads: many small problems at once, each on one."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

from threadpoolctl import threadpool_limits

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


@contextmanager
def one_thread() -> Iterator[None]:
    """Sparse factors multiply many tiny matrices, where more threads only wait for each other.

    On two cores that others use as well, solving with 32 right-hand sides took 10.8 s with two
    threads and 0.5 s with one.
    """
    with threadpool_limits(1):
        yield


def each(function: Callable[[Item], Outcome], items: Iterable[Item]) -> list[Outcome]:
    """Results in the order of the items, on all cores; each item's is the same on any number."""
    with one_thread(), ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return list(pool.map(function, items))


def at_once(one: Callable[[], Item], other: Callable[[], Outcome]) -> tuple[Item, Outcome]:
    """Results of two functions that don't wait for each other."""
    with one_thread(), ThreadPoolExecutor(2) as pool:
        first, second = pool.submit(one), pool.submit(other)
        return first.result(), second.result()
