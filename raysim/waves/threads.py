"""Threads of the libraries below numpy and scipy."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from threadpoolctl import threadpool_limits


@contextmanager
def one_thread() -> Iterator[None]:
    """Sparse factors multiply many tiny matrices, where more threads only wait for each other.

    On two cores that others use as well, solving with 32 right-hand sides took 10.8 s with two
    threads and 0.5 s with one.
    """
    with threadpool_limits(1):
        yield
