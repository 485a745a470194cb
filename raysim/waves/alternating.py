"""The inverse of a room with filled bodies, from that of the room without them.

Multiplicative Schwarz method (Smith, Bjorstad and Gropp, Domain Decomposition, 1996, chapter 1):
what a body's own inverse leaves goes to the room as if all were air, and what that leaves to the
bodies again. Modes of the room are kept out, whose amplitudes the reduced room finds by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array

from raysim.waves.bodies import Filling, Term
from raysim.waves.elements import without_traces
from raysim.waves.factor import Factor, dissection
from raysim.waves.modes import RigidModes
from raysim.waves.reduced import Reduced

Ints = NDArray[np.int64]
Complex = NDArray[np.complex128]

HELD_AT_HZ = 200.0


@dataclass(frozen=True)
class Alternating:
    """Applies an approximate inverse; complex, (n, m) at once.

    Attributes
    ----------
    modes : RigidModes
        Of the room without bodies, in its own unknowns.
    mass : sparse
        Of it.
    origin : (n,) int
        Which of its unknowns each is.
    near : (m,) int
        Unknowns that bodies have a part in.
    held : (m, n) sparse complex
        Their equations with bodies filled as at one frequency.
    inside : tuple of (m,) int and Factor
        The unknowns of each body alone, as places in `near`, and the factors of its equations.
    """

    modes: RigidModes
    mass: csr_array
    origin: Ints
    near: Ints
    held: csr_array
    inside: tuple[tuple[Ints, Factor], ...]

    def solve(self, residuals: NDArray[Any]) -> Complex:
        """(n, m) approximate solutions."""
        first = self._in_bodies(residuals[self.near])
        left = residuals.astype(np.complex128)
        left[self.near] -= self.held @ first
        beside = self._in_room(left)
        last = self._in_bodies(left[self.near] - self.held @ beside)
        return np.asarray(first + beside + last)

    def _in_bodies(self, residuals: Complex) -> Complex:
        found = np.zeros((len(self.origin), residuals.shape[1]), np.complex128)
        for places, factor in self.inside:
            found[self.near[places]] = factor.solve(residuals[places])
        return found

    def _in_room(self, residuals: Complex) -> Complex:
        """Beside the modes, real and imaginary parts as columns of their own."""
        size, count = self.mass.shape[0], residuals.shape[1]
        right = np.hstack([residuals[:size].real, residuals[:size].imag])
        behind = np.hstack([residuals[size:].real, residuals[size:].imag])
        np.add.at(right, self.origin[size:], behind)
        found = self.modes.factor.solve(right)
        found -= self.modes.shapes @ (self.modes.shapes.T @ (self.mass @ found))
        return np.asarray((found[:, :count] + 1j * found[:, count:])[self.origin])


def alternating(
    room: Reduced,
    reduced: Reduced,
    origin: Ints,
    fillings: Sequence[Filling],
    terms: Sequence[Term],
    wavenumbers: NDArray[np.float64],
) -> Alternating:
    """Of a room with bodies filled as at one frequency.

    Parameters
    ----------
    room, reduced : Reduced
        Without unknowns of bodies' own at their faces, and with them.
    origin : (n,) int
        Which unknown of the one each of the other is.
    fillings : sequence of Filling
    terms : sequence of Term
        What they change.
    wavenumbers : (frequencies,) float, rad/m
        Of the terms' coefficients.
    """
    elements, shift = reduced.elements, reduced.modes.shift
    at = int(np.argmin(np.abs(wavenumbers * reduced.speed / (2 * np.pi) - HELD_AT_HZ)))
    near = np.unique(np.concatenate([elements.bodies[one.body].mass.indices for one in fillings]))
    near = np.unique(np.concatenate([near, *(term.matrix.indices for term in terms)]))
    held = csr_array(elements.stiffness - shift * elements.mass)[near].astype(np.complex128)
    for term in terms:
        weight = (1j * wavenumbers[at]) ** term.power * term.coefficients[at]
        held = held + weight * csr_array(term.matrix)[near]
    inside = []
    for filling in fillings:
        own = elements.bodies[filling.body].mass
        shared = without_traces(elements.mass - own).indices
        alone = np.setdiff1d(own.indices, shared)
        if not len(alone):
            continue
        places = np.searchsorted(near, alone)
        pattern = csc_array(elements.pattern[alone][:, alone])
        part = csc_array(held[places][:, alone])
        inside.append((places, Factor(part, dissection(pattern, elements.nodes[alone]))))
    return Alternating(room.modes, room.mass, origin, near, held, tuple(inside))
