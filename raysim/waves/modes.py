"""Modes of the room with rigid walls."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.linalg import LinearOperator, eigsh

from raysim.errors import SolverError
from raysim.waves.elements import Elements
from raysim.waves.factor import Factor

Array = NDArray[np.float64]

# Of the highest squared wavenumber: about equally far from both ends.
SHIFTS = (0.5, 0.487, 0.513, 0.474, 0.526)
MARGIN = 1.06
LARGEST_RESIDUAL = 1e-7
TRIES = 5


def rigid_modes(
    elements: Elements, order: NDArray[np.int64], wavenumber: float, expected: int
) -> tuple[Array, Array]:
    """All modes up to a wavenumber, by shift-and-invert Lanczos (ARPACK through scipy).

    The number of modes below the shift is checked against the pivots of the factors, so that
    none is missed.

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
    size = elements.size
    shift, factor = _shifted(elements, order, wavenumber**2)
    inverse = LinearOperator((size, size), matvec=factor.solve, dtype=np.float64)
    start = np.random.default_rng(0).standard_normal(size)
    count = expected
    for _ in range(TRIES):
        count = min(int(count * MARGIN) + 10, size - 2)
        squared, shapes = eigsh(
            elements.stiffness,
            k=count,
            M=elements.mass,
            sigma=shift,
            OPinv=inverse,
            ncv=min(size - 1, int(1.4 * count) + 20),
            tol=1e-8,
            v0=start,
        )
        # What was found lies nearest the shift: complete as far as the farthest.
        reach = np.abs(squared - shift).max()
        if reach >= wavenumber**2 - shift and reach >= shift:
            break
    else:
        raise SolverError("bass: there are far more modes than expected; run without --bass")
    if int((squared < shift).sum()) != factor.negative:
        raise SolverError("bass: modes were missed; run without --bass and tell the developers")
    rising = np.argsort(squared)
    rising = rising[squared[rising] <= wavenumber**2]
    return np.maximum(squared[rising], 0.0), shapes[:, rising]


def _shifted(elements: Elements, order: NDArray[np.int64], highest: float) -> tuple[float, Factor]:
    """Factors at a shift; without pivoting they can be inexact at an unlucky one."""
    for share in SHIFTS:
        shift = share * highest
        factor = Factor(elements.stiffness - shift * elements.mass, order)
        if factor.residual < LARGEST_RESIDUAL:
            return shift, factor
    raise SolverError(
        f"bass: the factors leave a residual of {factor.residual:.1e}; run without --bass"
    )


def expected_modes(volume: float, area: float, wavenumber: float) -> int:
    """Count of modes of a room, from volume and area (Kuttruff, Room Acoustics, chapter 3)."""
    return int(volume * wavenumber**3 / (6 * np.pi**2) + area * wavenumber**2 / (16 * np.pi)) + 5
