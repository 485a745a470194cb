"""Tasks shared out among threads: by numbers, so the outcome doesn't depend on how many there are.

Threads of Python's own run kernels that give up its lock. A parallel loop of the compiler's would
compile all that it calls twice more.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numba

config: Any = numba.config
_number: int = config.NUMBA_NUM_THREADS


def cores() -> int:
    """How many there are, or NUMBA_NUM_THREADS if that is set."""
    return int(config.NUMBA_NUM_THREADS)


def set_num_threads(number: int) -> None:
    """Share out among `number` threads from now on."""
    global _number
    _number = number


def share_out(kernel: Callable[..., None], tasks: int, *arguments: Any) -> None:
    """Call kernel(first, step, *arguments) in each thread, for the tasks first, first + step ...

    Each task must write to places of its own.
    """
    step = max(1, min(_number, tasks))
    if step == 1:
        kernel(0, 1, *arguments)
        return
    with ThreadPoolExecutor(step) as pool:
        for call in [pool.submit(kernel, first, step, *arguments) for first in range(step)]:
            call.result()
