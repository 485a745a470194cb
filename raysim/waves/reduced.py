"""The room reduced to a few hundred shapes: its rigid modes and what each source adds to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array

from raysim.waves.elements import Elements
from raysim.waves.modes import RigidModes, rigid_modes
from raysim.waves.threads import one_thread

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# Of the highest frequency, or so many Hz above it, whichever is more.
EXACT_TO = 1.03
MODES_TO, MODES_ABOVE_HZ = 1.1, 30.0
SAME = 1e-4


class Boundary(NamedTuple):
    """Boundary mass of one surface, or of several with one admittance.

    Attributes
    ----------
    on : (m,) int
        The unknowns it has entries in.
    mass : (m, m) sparse
    """

    on: Ints
    mass: csr_array

    def between(self, one: Array, other: Array) -> Array:
        """(i, j): boundary integrals of products of shapes (n, i) and (n, j)."""
        return np.asarray(one[self.on].T @ (self.mass @ other[self.on]))


def boundary_of(surfaces: Sequence[csc_array]) -> Boundary:
    """Boundary of (n, n) matrices of surfaces together."""
    total = csc_array(sum(surfaces[1:], start=surfaces[0]))
    on = np.flatnonzero(np.diff(total.indptr))
    return Boundary(on, csr_array(total[on][:, on]))


@dataclass(frozen=True)
class Reduced:
    """A basis that is orthonormal with respect to the mass, for every treatment of a room.

    Attributes
    ----------
    elements : Elements
    mass : (n, n) sparse
        By rows.
    speed : float, m/s
    frequency_hz : float
        Highest of interest.
    modes : RigidModes
    shapes : (n, basis) float
        The modes, then what each source adds to them in the near field.
    loads : (n, sources) float
        Unit monopoles.
    """

    elements: Elements
    mass: csr_array
    speed: float
    frequency_hz: float
    modes: RigidModes
    shapes: Array
    loads: Array

    @cached_property
    def surfaces(self) -> Array:
        """(surfaces, basis, basis): the boundary mass of each surface between the shapes."""
        each = (boundary_of([one]) for one in self.elements.surfaces)
        return np.array([one.between(self.shapes, self.shapes) for one in each])

    @property
    def mode_frequencies_hz(self) -> Array:
        """(modes,) float of the room with rigid walls."""
        return np.asarray(np.sqrt(self.modes.squared) * self.speed / (2 * np.pi))


def reduce(
    elements: Elements,
    speed: float,
    frequency_hz: float,
    sources: Array,
    names: list[str] | None = None,
    modes: RigidModes | None = None,
) -> Reduced:
    """Find the basis up to a frequency.

    Parameters
    ----------
    elements : Elements
    speed : float, m/s
    frequency_hz : float
        Highest frequency that responses will be asked at.
    sources : (sources, 3) float, m
    names : list of str, optional
        Of the sources, for complaints.
    modes : RigidModes, optional
        Those of the same elements to the same frequency, where they are known already.

    Raises
    ------
    SceneError
        A source outside the air.
    SolverError
        Modes don't converge.
    """
    loads = elements.at(sources, names).toarray().T
    to_k = 2 * np.pi / speed
    reach = to_k * max(MODES_TO * frequency_hz, frequency_hz + MODES_ABOVE_HZ)
    mass = csr_array(elements.mass)
    modes = modes or rigid_modes(elements, EXACT_TO * to_k * frequency_hz, reach)
    with one_thread():
        near = lacking(mass, [modes.shapes], modes.factor.solve(loads), SAME)
    shapes = np.hstack([modes.shapes, near])
    return Reduced(elements, mass, speed, frequency_hz, modes, shapes, loads)


def lacking(mass: csr_array, shapes: Sequence[Array], more: Array, drop: float) -> Array:
    """Directions of `more` that `shapes`, in blocks, lack, orthonormal with respect to the mass.

    Directions weaker than `drop` are left out, where each of `more` counts as 1.
    """
    weighed = mass @ more
    size = np.sqrt(np.einsum("ij,ij->j", more, weighed))
    known = [block.T @ weighed / size for block in shapes]
    gram = (more.T @ weighed) / size[:, None] / size - sum(own.T @ own for own in known)
    strength, turn = np.linalg.eigh((gram + gram.T) / 2)
    strong = strength > drop**2
    turn = turn[:, strong] / np.sqrt(strength[strong])
    new = more @ (turn / size[:, None])
    for block, own in zip(shapes, known, strict=True):
        new -= block @ (own @ turn)
    return np.asarray(new)
