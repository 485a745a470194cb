"""Block Lanczos iteration with shift and inverse.

Grimes, Lewis and Simon, A shifted block Lanczos algorithm, SIAM J. Matrix Anal. Appl. 15 (1994);
here every block is made orthogonal to all before it, twice.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.linalg
from numpy.typing import NDArray
from scipy.sparse import csr_array

from raysim.errors import SolverError

Array = NDArray[np.float64]

BLOCK = 32
CHECK_EVERY = 2
EXACT = 1e-3  # relative residual; eigenvalues are exact to about its square
BELOW_ZERO = 1e-2  # of the highest wanted: until it is exact, the constant's may come out here


def nearest_modes(
    mass: csr_array,
    solve: Callable[[Array], Array],
    shift: float,
    needed: float,
    reach: float,
    below: int,
    most: int,
) -> tuple[Array, Array]:
    """Eigenpairs of stiffness and mass from zero to `reach`, exact to `needed`.

    Those between `needed` and `reach` may be inexact, and some of them missing: they are still
    orthonormal, and as good as others for a basis.

    Parameters
    ----------
    mass : (n, n) sparse
    solve : callable
        Applies the inverse of stiffness - shift * mass to (n, block).
    shift, needed, reach : float
        Eigenvalues, rising.
    below : int
        How many there are below the shift; it goes on until it has them.
    most : int
        Size of the space at which it gives up.

    Returns
    -------
    values : (modes,) float
        Rising.
    vectors : (n, modes) float
        Orthonormal with respect to the mass.

    Raises
    ------
    SolverError
        It doesn't converge.
    """
    size = mass.shape[0]
    block = min(BLOCK, size // 4)
    most = min(most, size - block)
    space, inner = np.empty((most + block, size)), np.zeros((most + block,) * 2)
    new, _ = _orthonormal(mass, solve(np.random.default_rng(0).standard_normal((size, block))))
    count = 0
    while count + block <= most:
        last, count = slice(count, count + block), count + block
        space[last] = new.T
        rest = solve(mass @ new)
        for _ in range(2):
            part = space[:count] @ (mass @ rest)
            rest -= space[:count].T @ part
            inner[:count, last] += part
        inner[last, :count] = inner[:count, last].T
        new, remaining = _orthonormal(mass, rest)
        if (count // block) % CHECK_EVERY == 0 or count + block > most:
            inverse, turn = scipy.linalg.eigh(inner[:count, :count])
            values = shift + 1 / inverse
            inside = values > -BELOW_ZERO * reach
            wanted = inside & (values <= max(needed, shift))
            left = np.linalg.norm(remaining @ turn[last], axis=0) / np.abs(inverse)
            complete = (wanted & (values < shift)).sum() == below
            if complete and (left[wanted] <= EXACT).all() and count > wanted.sum() + 2 * block:
                kept = np.flatnonzero(inside & (values <= reach))
                kept = kept[np.argsort(values[kept])]
                return values[kept], space[:count].T @ turn[:, kept]
    raise SolverError(
        f"bass: {most} directions don't give all modes; run with --no-bass and tell the developers"
    )


def _orthonormal(mass: csr_array, vectors: Array) -> tuple[Array, Array]:
    """Vectors orthonormal with respect to the mass, and the triangle that gives them back."""
    triangle = np.eye(vectors.shape[1])
    for _ in range(2):
        gram = vectors.T @ (mass @ vectors)
        upper = scipy.linalg.cholesky((gram + gram.T) / 2)
        vectors = vectors @ scipy.linalg.solve_triangular(upper, np.eye(len(upper)))
        triangle = upper @ triangle
    return vectors, triangle
