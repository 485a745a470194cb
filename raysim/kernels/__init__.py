"""Hot loops: the only place that knows numba."""
