"""How kernels are compiled: cached, IEEE arithmetic (bit equality, NaN kept), NumPy division."""

from __future__ import annotations

from numba import get_num_threads, njit, set_num_threads

compiled = njit(cache=True, error_model="numpy")
inlined = njit(cache=True, error_model="numpy", forceinline=True)
compiled_parallel = njit(cache=True, error_model="numpy", parallel=True)

__all__ = ["compiled", "compiled_parallel", "get_num_threads", "inlined", "set_num_threads"]
