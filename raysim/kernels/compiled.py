"""How kernels are compiled: cached, IEEE arithmetic (bit equality, NaN kept), NumPy division.

All but `allocating` ones allocate nothing, so they need not count references to the arrays that
they are lent: half the time of a reflection went there. Only kernels call `uncounted` and
`inlined` functions, so they need no gates to Python and C, which took a third of the time to
compile.
"""

# mypy: allow-untyped-calls

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
from numba import njit, types

from raysim.errors import RaysimWarning
from raysim.kernels.cache import find_folder, kept_in, usual_parents
from raysim.kernels.parts import PartCompiler

config: Any = numba.config
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


def one_version(kernel: Any) -> Any:
    """Let a kernel take a 0, a short and a long integer from others in one compiled version."""
    if config.DISABLE_JIT:
        return kernel
    find = kernel.get_call_template

    def plain(kind: types.Type) -> types.Type:
        kind = types.unliteral(kind)
        return types.int64 if kind == types.int32 else kind

    kernel.get_call_template = lambda args, named: find(
        tuple(map(plain, args)), {name: plain(kind) for name, kind in named.items()}
    )
    return kernel


def _compiler(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    compiler: Any = njit

    def declare(function: Callable[..., Any]) -> Any:
        if FOLDER is None:
            return one_version(compiler(**OPTIONS, **options)(function))
        with kept_in(FOLDER):
            return one_version(compiler(cache=True, **OPTIONS, **options)(function))

    return declare


allocating = _compiler(nogil=True)
compiled = _compiler(_nrt=False)
released = _compiler(nogil=True, _nrt=False)  # threads run it side by side
part: dict[str, Any] = {
    "_nrt": False,
    "no_cpython_wrapper": True,
    "pipeline_class": PartCompiler,
}
uncounted = _compiler(**part)  # called by kernels only
inlined = _compiler(forceinline=True, **part)
exposed = _compiler(forceinline=True, _nrt=False)  # inlined, and called from Python too

__all__ = [
    "allocating",
    "compiled",
    "exposed",
    "inlined",
    "released",
    "uncounted",
]
