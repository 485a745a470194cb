"""How kernels are compiled: cached, IEEE arithmetic (bit equality, NaN kept), NumPy division.

`uncounted` and `inlined` functions allocate nothing, so they need not count references to the
arrays that they are lent: half the time of a reflection went there. Only kernels call `inlined`
functions, so they need no gates to Python and C, which took a third of the time to compile.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from numba import njit

from raysim.errors import RaysimWarning
from raysim.kernels.cache import find_folder, kept_in, usual_parents

OPTIONS: dict[str, Any] = {"error_model": "numpy", "no_cfunc_wrapper": True}
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
    compiler: Any = njit

    def declare(function: Callable[..., Any]) -> Any:
        if FOLDER is None:
            return compiler(**OPTIONS, **options)(function)
        with kept_in(FOLDER):
            return compiler(cache=True, **OPTIONS, **options)(function)

    return declare


compiled = _compiler()
uncounted = _compiler(_nrt=False)
exposed = _compiler(forceinline=True, _nrt=False)  # inlined, and called from Python too
inlined = _compiler(forceinline=True, _nrt=False, no_cpython_wrapper=True)
released = _compiler(nogil=True, _nrt=False)  # threads run it side by side
allocating = _compiler(nogil=True)  # the same, with scratch space of its own

__all__ = [
    "allocating",
    "compiled",
    "exposed",
    "inlined",
    "released",
    "uncounted",
]
