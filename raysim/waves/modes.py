"""Modes of the room with rigid walls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from raysim.errors import SolverError
from raysim.waves.elements import Elements
from raysim.waves.factor import Elimination, Factor, dissection
from raysim.waves.lanczos import nearest_modes
from raysim.waves.threads import one_thread

Array = NDArray[np.float64]

# Of the highest squared wavenumber: about equally far from both ends.
SHIFTS = (0.5, 0.487, 0.513, 0.474, 0.526)
LARGEST_RESIDUAL = 1e-7
MARGIN = 3  # directions that the iteration may use for each mode expected


@dataclass(frozen=True)
class RigidModes:
    """Modes with rigid walls.

    Attributes
    ----------
    squared : (modes,) float
        Squared wavenumbers, rising; the first is the constant, 0.
    shapes : (n, modes) float
        Orthonormal with respect to the mass.
    shift : float
        A squared wavenumber between them.
    factor : Factor
        Of stiffness - shift * mass.
    """

    squared: Array
    shapes: Array
    shift: float
    factor: Factor


def rigid_modes(elements: Elements, needed: float, reach: float | None = None) -> RigidModes:
    """All modes up to a wavenumber, and a few more of a basis beyond.

    The number of modes below the shift is checked against the pivots of the factors, so that
    none is missed.

    Parameters
    ----------
    elements : Elements
    needed : float, rad/m
        Up to where they are exact and complete.
    reach : float, optional, rad/m
        Up to where more are given, perhaps inexact.

    Raises
    ------
    SolverError
        It doesn't converge.
    """
    reach = max(needed, reach or needed)
    area = float(sum(each.sum() for each in elements.surfaces))
    most = MARGIN * expected_modes(elements.mesh.volume, area, reach) + 200
    with one_thread():
        plan = dissection(elements.pattern, elements.nodes)
        shift, factor = _shifted(elements, plan, reach**2)
        squared, shapes = nearest_modes(
            csr_array(elements.mass),
            factor.solve,
            shift,
            needed**2,
            reach**2,
            factor.negative,
            most,
        )
    return RigidModes(np.maximum(squared, 0.0), shapes, shift, factor)


def _shifted(elements: Elements, plan: Elimination, highest: float) -> tuple[float, Factor]:
    """Factors at a shift; pivoting within blocks alone they can be inexact at an unlucky one."""
    for share in SHIFTS:
        shift = share * highest
        factor = Factor(elements.stiffness - shift * elements.mass, plan)
        if factor.residual < LARGEST_RESIDUAL:
            return shift, factor
    raise SolverError(
        f"bass: the factors leave a residual of {factor.residual:.1e}; run with --no-bass"
    )


def expected_modes(volume: float, area: float, wavenumber: float) -> int:
    """Count of modes of a room, from volume and area (Kuttruff, Room Acoustics, chapter 3)."""
    return int(volume * wavenumber**3 / (6 * np.pi**2) + area * wavenumber**2 / (16 * np.pi)) + 5
