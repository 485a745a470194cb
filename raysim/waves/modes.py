"""Modes of the room with rigid walls."""

from __future__ import annotations

import numpy as np
import scipy.linalg
from numpy.typing import NDArray
from scipy.sparse import csc_array

from raysim.errors import SolverError
from raysim.waves.elements import Elements
from raysim.waves.factor import Factor

Array = NDArray[np.float64]

SHIFT = 0.45  # of the highest squared wavenumber
BLOCK = 32
CHECK_EVERY = 3
CONVERGED = 1e-4  # of a vector's residual; the error of its eigenvalue goes with the square
MOST = 6  # times the expected number of modes: the largest space


def rigid_modes(
    elements: Elements, order: NDArray[np.int64], wavenumber: float, expected: int
) -> tuple[Array, Array]:
    """All modes up to a wavenumber, by block Lanczos with shift and inverse.

    Grimes, Lewis and Simon 1994, without restarts and orthogonalised in full. The number of modes
    below the shift is checked against the pivots of the factors, so that none is missed.

    Parameters
    ----------
    elements : Elements
    order : (n,) int
        As `factor.dissection` gives.
    wavenumber : float, rad/m
    expected : int
        About how many there are.

    Returns
    -------
    squared : (modes,) float
        Squared wavenumbers, rising; the first is the constant, 0.
    shapes : (n, modes) float
        Orthonormal with respect to the mass.

    Raises
    ------
    SolverError
        It doesn't converge.
    """
    mass, highest = elements.mass, wavenumber**2
    shift = SHIFT * highest
    factor = Factor(elements.stiffness - shift * mass, order)
    room = min(elements.size - BLOCK, max(MOST * expected, 10 * BLOCK))
    space, weighed = np.empty((2, elements.size, room))
    small = np.zeros((room, room))
    start = np.random.default_rng(0).standard_normal((elements.size, BLOCK))
    block, _ = _orthonormal(factor.solve(mass @ start), mass)
    filled = 0
    for step in range(1, room // BLOCK + 1):
        new = slice(filled, filled + BLOCK)
        space[:, new], weighed[:, new] = block, mass @ block
        filled += BLOCK
        rest = factor.solve(weighed[:, new])
        for turn in range(2):
            share = weighed[:, :filled].T @ rest
            rest -= space[:, :filled] @ share
            if turn == 0:
                small[:filled, new], small[new, :filled] = share, share.T
        block, beyond = _orthonormal(rest, mass)
        if step % CHECK_EVERY and filled + BLOCK <= room:
            continue
        inverse, vectors = np.linalg.eigh(small[:filled, :filled])
        residual = np.linalg.norm(beyond @ vectors[new], axis=0) / np.abs(inverse)
        squared = shift + 1 / inverse
        wanted = np.flatnonzero((squared <= highest) & (squared > -0.1 * highest))
        below = int((squared[wanted] < shift).sum())
        if below == factor.negative and (residual[wanted] < CONVERGED).all():
            wanted = wanted[np.argsort(squared[wanted])]
            return np.maximum(squared[wanted], 0.0), space[:, :filled] @ vectors[:, wanted]
    raise SolverError("bass: the modes don't converge; run with --no-bass")


def _orthonormal(block: Array, mass: csc_array) -> tuple[Array, Array]:
    """Orthonormalise with respect to the mass, twice by Cholesky; and what turns it back."""
    back = np.eye(block.shape[1])
    for _ in range(2):
        gram = block.T @ (mass @ block)
        upper = scipy.linalg.cholesky((gram + gram.T) / 2, check_finite=False)
        block = scipy.linalg.solve_triangular(upper, block.T, trans="T", check_finite=False).T
        back = upper @ back
    return block, back


def _shifted(elements: Elements, order: NDArray[np.int64], highest: float) -> tuple[float, Factor]:
    """Factors at a shift; without pivoting they can be inexact at an unlucky one."""
    for share in SHIFTS:
        shift = share * highest
        factor = Factor(elements.stiffness - shift * elements.mass, order)
        if factor.residual < LARGEST_RESIDUAL:
            return shift, factor
    raise SolverError(
        f"bass: the factors leave a residual of {factor.residual:.1e}; run with --no-bass"
    )


def expected_modes(volume: float, area: float, wavenumber: float) -> int:
    """Count of modes of a room, from volume and area (Kuttruff, Room Acoustics, chapter 3)."""
    return int(volume * wavenumber**3 / (6 * np.pi**2) + area * wavenumber**2 / (16 * np.pi)) + 5
