"""How kernels are compiled: cached, IEEE arithmetic (bit equality, NaN kept), NumPy division.

`uncounted` and `inlined` functions allocate nothing, so they need not count references to the
arrays that they are lent: half the time of a reflection went there.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from numba import get_num_threads, njit, set_num_threads

from raysim.errors import RaysimWarning
from raysim.kernels.cache import find_folder, kept_in, usual_parents

SOURCES = Path(__file__).parent
FOLDER = find_folder(SOURCES, usual_parents(SOURCES))
if FOLDER is None:
    warnings.warn(
        "compiled kernels cannot be kept, so that every run compiles anew: no folder may be "
        "written; set NUMBA_CACHE_DIR to one that may",
        RaysimWarning,
        stacklevel=1,
    )


def _compiler(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    def declare(function: Callable[..., Any]) -> Any:
        if FOLDER is None:
            return njit(error_model="numpy", **options)(function)
        with kept_in(FOLDER):
            return njit(cache=True, error_model="numpy", **options)(function)

    return declare


compiled = _compiler()
uncounted = _compiler(_nrt=False)
inlined = _compiler(forceinline=True, _nrt=False)
compiled_parallel = _compiler(parallel=True)

__all__ = [
    "compiled",
    "compiled_parallel",
    "get_num_threads",
    "inlined",
    "set_num_threads",
    "uncounted",
]
