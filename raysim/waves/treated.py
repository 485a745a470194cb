"""The reduced room with one set of materials: a small dense problem at each frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from raysim.waves.alternating import Alternating, alternating
from raysim.waves.bodies import Filling, faced, terms_of
from raysim.waves.factor import Factor
from raysim.waves.reduced import Boundary, Reduced, boundary_of, lacking
from raysim.waves.threads import each, one_thread

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Complex = NDArray[np.complex128]

# Frequencies of the corrections, each round: 6 of one source or of each of two, then fewer.
ROUNDS, ROUNDS_IN_BODIES = 3, 4
SNAPSHOTS, LEAST_SNAPSHOTS, MOST_PAIRS = 6, 4, 16
DROP = 3e-4
WEAK = 0.25  # m-1; corrections of modes are some 0.1 m times this, in shares of their damping
LEAST_LOSS = 0.05  # real part of an admittance taken at least, in shares of its size
TOGETHER = 8
LEAST_LEFT = 0.15  # in bodies by modes, of the most


@dataclass(frozen=True)
class Treated:
    """The room with one set of materials.

    Attributes
    ----------
    reduced : Reduced
    added : (n, corrections) float
        Shapes that follow those of `reduced` in the basis, orthonormal with respect to the mass.
    stiffness : (basis, basis) float
    boundaries : tuple of Boundary
        Surfaces of one admittance, together, then what fills bodies.
    groups : (groups, basis, basis) float
        Their matrices in the basis.
    powers : (groups,) int
        Matrices are added with the weight coefficient (j k)^power: 1 for boundaries.
    coefficients : (groups, frequencies) complex
        Admittances of boundaries.
    frequencies_hz : (frequencies,) float
    inverse : Factor or Alternating
        What gives corrections.
    """

    reduced: Reduced
    added: Array
    stiffness: Array
    boundaries: tuple[Boundary, ...]
    groups: Array
    powers: Ints
    coefficients: Complex
    frequencies_hz: Array
    inverse: Factor | Alternating

    @property
    def wavenumbers(self) -> Array:
        """(frequencies,) float, rad/m."""
        return np.asarray(2 * np.pi * self.frequencies_hz / self.reduced.speed)

    @property
    def loads(self) -> Array:
        """(basis, sources) float: unit monopoles."""
        loads = self.reduced.loads
        return np.vstack([self.reduced.shapes.T @ loads, self.added.T @ loads])

    def seen_at(self, observe: csr_array) -> Array:
        """(points, basis) float: the basis at places, by what `Elements.at` gave for them."""
        # Bodies have unknowns of their own behind those of the air.
        parts = (observe.data, observe.indices, observe.indptr)
        observe = csr_array(parts, shape=(observe.shape[0], len(self.added)))
        return np.hstack([observe @ self.reduced.shapes, observe @ self.added])

    @property
    def is_filled(self) -> bool:
        """Whether bodies are filled with something else than air."""
        return isinstance(self.inverse, Alternating)

    def weights_at(self, wavenumbers: Array | Complex) -> Complex:
        """(groups, wavenumbers), coefficients by straight lines between the frequencies."""
        at, real = self.wavenumbers, np.real(wavenumbers)
        after = np.clip(np.searchsorted(at, real), 1, len(at) - 1)
        share = np.clip((real - at[after - 1]) / (at[after] - at[after - 1]), 0, 1)
        own = self.coefficients
        coefficients = (1 - share) * own[:, after - 1] + share * own[:, after]
        return np.asarray(coefficients * (1j * wavenumbers) ** self.powers[:, None])

    def matrices(self, chosen: Ints) -> Complex:
        """(chosen, basis, basis): stiffness + j k sum(beta B) - k^2 at frequencies by number."""
        k = self.wavenumbers[chosen]
        weight = self.coefficients[:, chosen].T * (1j * k[:, None]) ** self.powers
        size = len(self.stiffness)
        flat = self.groups.reshape(len(self.groups), size * size)
        full = np.empty((len(k), size, size), np.complex128)
        full.real = (weight.real @ flat).reshape(full.shape) + self.stiffness
        full.imag = (weight.imag @ flat).reshape(full.shape)
        full[:, np.arange(size), np.arange(size)] -= (k**2)[:, None]
        return full

    def solutions(self, chosen: Ints) -> Complex:
        """(chosen, basis, sources): the field of each unit monopole in the basis."""
        loads = self.loads.astype(np.complex128)
        parts = np.array_split(chosen, max(1, -(-len(chosen) // TOGETHER)))
        return np.concatenate(each(lambda part: np.linalg.solve(self.matrices(part), loads), parts))

    def response(self, points: Array | csr_array) -> Complex:
        """Pressure of a unit monopole, 1/(4 pi r) in the free field, with exp(j omega t).

        Parameters
        ----------
        points : (points, 3) float, m, or (points, n) sparse
            Places, or what `Elements.at` gave for them.

        Returns
        -------
        (sources, points, frequencies) complex
        """
        observe = points if isinstance(points, csr_array) else self.reduced.elements.at(points)
        solved = self.solutions(np.arange(len(self.frequencies_hz)))
        return np.asarray(np.moveaxis(self.seen_at(observe) @ solved, 0, 2).transpose(1, 0, 2))


def treat(
    reduced: Reduced,
    admittances: Complex,
    frequencies_hz: Array,
    fillings: Sequence[Filling] = (),
) -> Treated:
    """Give the surfaces admittances, and fill bodies.

    The rigid modes and the near fields of the sources miss how the field bends at absorbing
    surfaces. Where the solution in the basis leaves a residual in the full equations, applying
    the inverse of stiffness - shift * mass to it gives a correction, which is appended to the
    basis: first of the modes, then of solutions at a few frequencies, in rounds. In this inverse a
    residual of the modes is none, so it acts on what lies above them, where it is near the true
    inverse; least so at the highest frequencies, where most of the few are. Where bodies are
    filled it is that of the room with them filled as at one frequency.

    Parameters
    ----------
    reduced : Reduced
    admittances : (surfaces, frequencies) complex
        Times rho0 c0, locally reacting; real parts not negative.
    frequencies_hz : (frequencies,) float
        Rising.
    fillings : sequence of Filling
        Bodies that have none are air.
    """
    if (admittances.real < -1e-9).any():
        raise ValueError("an admittance with a negative real part makes sound; it can't be")
    # Facings leave the shapes of the room without bodies as they are, and surfaces between them.
    room, (reduced, origin) = reduced, faced(reduced, fillings)
    treated = _in_modes(reduced, room.surfaces, admittances, frequencies_hz)
    with one_thread():
        if fillings:
            treated = _filled(treated, room, origin, fillings)
            treated = _corrected(treated, _left_in_bodies(treated))
            for number in range(ROUNDS_IN_BODIES):
                treated = _corrected(treated, _residuals_in_all(treated, number))
        elif treated.boundaries:
            treated = _corrected(treated, _left_by_modes(treated))
            for number in range(ROUNDS):
                treated = _corrected(treated, _residuals(treated, number))
    return treated


def _in_modes(
    reduced: Reduced, surfaces: Array, admittances: Complex, frequencies_hz: Array
) -> Treated:
    """In the shapes of the reduced room alone; surfaces of equal admittance together."""
    values, inverse = np.unique(admittances, axis=0, return_inverse=True)
    chosen = [g for g in range(len(values)) if np.abs(values[g]).max() > 0]
    own = [np.flatnonzero(inverse.reshape(-1) == g) for g in chosen]
    size, modes = reduced.shapes.shape[1], len(reduced.modes.squared)
    stiffness = np.diag(np.concatenate([reduced.modes.squared, np.zeros(size - modes)]))
    near = reduced.shapes[:, modes:]
    stiffness[modes:, modes:] = near.T @ (reduced.elements.stiffness @ near)
    return Treated(
        reduced,
        near[:, :0],
        stiffness,
        tuple(boundary_of([reduced.elements.surfaces[s] for s in each]) for each in own),
        np.array([surfaces[each].sum(axis=0) for each in own]).reshape(-1, size, size),
        np.ones(len(own), np.int64),
        values[chosen],
        frequencies_hz,
        reduced.modes.factor,
    )


def _filled(treated: Treated, room: Reduced, origin: Ints, fillings: Sequence[Filling]) -> Treated:
    """The same with bodies filled, still in the shapes of the room without them."""
    reduced = treated.reduced
    terms = terms_of(reduced.elements, fillings)
    more = [boundary_of([term.matrix]) for term in terms]
    groups = [one.between(reduced.shapes, reduced.shapes) for one in more]
    return replace(
        treated,
        boundaries=(*treated.boundaries, *more),
        groups=np.array([*treated.groups, *groups]),
        powers=np.concatenate([treated.powers, [term.power for term in terms]]),
        coefficients=np.vstack([treated.coefficients, *(term.coefficients for term in terms)]),
        inverse=alternating(room, reduced, origin, fillings, terms, treated.wavenumbers),
    )


def _corrected(treated: Treated, residuals: Array | Complex) -> Treated:
    """In the basis extended by what residuals (n, columns) ask for."""
    if not residuals.shape[1]:
        return treated
    more: NDArray[Any] = treated.inverse.solve(residuals)
    return extended(treated, _apart(more) if np.iscomplexobj(more) else more)


def extended(treated: Treated, more: Array) -> Treated:
    """In a basis with what it lacks of more shapes (n, m)."""
    reduced, added = treated.reduced, treated.added
    new = lacking(reduced.mass, (reduced.shapes, added), more, DROP)
    size = len(treated.stiffness) + new.shape[1]
    # Stiffness and mass have no part between a mode and what is orthogonal to it, except where
    # shapes may jump and the modes couldn't.
    bent = reduced.elements.stiffness @ new
    rest = 0 if treated.is_filled else len(reduced.modes.squared)
    near = reduced.shapes[:, rest:]
    beside = np.vstack([np.zeros((rest, new.shape[1])), near.T @ bent, added.T @ bent])
    groups = [
        _bordered(
            known,
            np.vstack([one.between(reduced.shapes, new), one.between(added, new)]),
            one.between(new, new),
        )
        for one, known in zip(treated.boundaries, treated.groups, strict=True)
    ]
    return replace(
        treated,
        added=np.hstack([added, new]),
        stiffness=_bordered(treated.stiffness, beside, new.T @ bent),
        groups=np.array(groups).reshape(-1, size, size),
    )


def _bordered(known: Array, beside: Array, corner: Array) -> Array:
    """A symmetric matrix extended by columns and a corner."""
    return np.block([[known, beside], [beside.T, (corner + corner.T) / 2]])


def _left_by_modes(treated: Treated) -> Array:
    """(n, columns): what the rigid modes leave, in as few columns as matter.

    A mode v leaves - j k sum(beta B) v; real and imaginary parts are separate columns. Their size
    is measured on the boundary, v B v, and over the square root of the mode's damping: corrections
    move its decay by a share that goes with the square of that.
    """
    modes = len(treated.reduced.modes.squared)
    at = treated.wavenumbers
    k = np.clip(np.sqrt(treated.reduced.modes.squared), at[0], at[-1])
    weight = treated.weights_at(k) / 1j  # (groups, modes)
    groups = treated.groups[:, :modes, :modes]
    loss = np.maximum(weight.real, LEAST_LOSS * np.abs(weight))
    loss = np.einsum("gm,gmm->m", loss, groups)
    weight = weight / np.sqrt(np.where(loss > 0, loss, 1.0))
    parts = [part for part in (weight.imag, weight.real) if part.any()]
    gram = np.block([[np.einsum("gi,gij,gj->ij", a, groups, b) for b in parts] for a in parts])
    strength, turn = np.linalg.eigh(gram)
    turns = np.split(turn[:, strength > WEAK], len(parts))
    columns = np.zeros((len(groups), len(treated.stiffness), turns[0].shape[1]))
    for part, own in zip(parts, turns, strict=True):
        columns[:, :modes] += part[:, :, None] * own
    return _at_boundaries(treated, columns)


def _residuals(treated: Treated, number: int) -> Array:
    """(n, columns): what solutions leave, at a few frequencies and sources.

    Of (K + j k sum(beta B) - k^2 M) p - q only what the inverse of K - shift M doesn't return
    into the basis: (k^2 - shift) M r - j k sum(beta B) p, r the part of p beside the modes. Real
    and imaginary parts are separate columns.
    """
    reduced, modes = treated.reduced, len(treated.reduced.modes.squared)
    pairs = _pairs(len(treated.frequencies_hz), reduced.loads.shape[1], number, ROUNDS)
    chosen, column = np.unique(pairs[:, 0], return_inverse=True)
    solved = treated.solutions(chosen)[column.reshape(-1), :, pairs[:, 1]].T
    k = treated.wavenumbers[pairs[:, 0]]
    rest = _apart((k**2 - reduced.modes.shift) * solved[modes:])
    near = reduced.shapes[:, modes:]
    aside = near @ rest[: near.shape[1]] + treated.added @ rest[near.shape[1] :]
    weight = -treated.weights_at(k)
    left = np.asarray(reduced.mass @ aside)
    return left + _at_boundaries(treated, _apart(weight[:, None] * solved))


def _left_in_bodies(treated: Treated) -> Complex:
    """(n, columns): what the modes of the room without bodies leave, in the columns that matter.

    Each at its own frequency, where in the air they leave nothing.
    """
    assert isinstance(treated.inverse, Alternating)
    reduced, near = treated.reduced, treated.inverse.near
    k = np.clip(np.sqrt(reduced.modes.squared), treated.wavenumbers[0], None)
    k = k[k <= treated.wavenumbers[-1]]
    modes = reduced.modes.shapes[:, : len(k)]
    left = np.zeros(modes.shape, np.complex128)
    left[near] = k**2 * (reduced.mass[near] @ modes)
    left[near] -= csr_array(reduced.elements.stiffness)[near] @ modes
    for (on, mass), weight in zip(treated.boundaries, treated.weights_at(k), strict=True):
        left[on] -= weight * (mass @ modes[on])
    strength, turn = np.linalg.eigh(left.conj().T @ left)
    return np.asarray(left @ turn[:, strength > LEAST_LEFT**2 * strength[-1]])


def _residuals_in_all(treated: Treated, number: int) -> Complex:
    """(n, pairs): what solutions leave, at other frequencies in each round."""
    loads = treated.reduced.loads
    pairs = _pairs(len(treated.frequencies_hz), loads.shape[1], number, ROUNDS_IN_BODIES)
    chosen, column = np.unique(pairs[:, 0], return_inverse=True)
    solved = treated.solutions(chosen)[column.reshape(-1), :, pairs[:, 1]].T
    return loads[:, pairs[:, 1]] + _left_in_all(treated, treated.wavenumbers[pairs[:, 0]], solved)


def _left_in_all(treated: Treated, wavenumbers: Array, fields: Complex) -> Complex:
    """(n, columns): - (K + sum of the parts - k^2 M) p of fields (basis, columns)."""
    reduced = treated.reduced
    first = reduced.shapes.shape[1]
    apart = _apart(fields)
    pressure = reduced.shapes @ apart[:first] + treated.added @ apart[first:]
    left = np.tile(wavenumbers**2, 2) * (reduced.mass @ pressure)
    left -= reduced.elements.stiffness @ pressure
    weight = treated.weights_at(wavenumbers)[:, None]
    left -= _at_boundaries(treated, _apart(weight * fields))
    half = fields.shape[1]
    return np.asarray(left[:, :half] + 1j * left[:, half:])


def _at_boundaries(treated: Treated, fields: Array) -> Array:
    """(n, columns): sum(B p) of fields (groups, basis, columns), one for each group."""
    shapes = treated.reduced.shapes
    left = np.zeros((len(shapes), fields.shape[2]))
    for (on, mass), field in zip(treated.boundaries, fields, strict=True):
        first = shapes.shape[1]
        pressure = shapes[on] @ field[:first] + treated.added[on] @ field[first:]
        left[on] += mass @ pressure
    return left


def _apart(values: Complex) -> Array:
    """Real parts of columns, then imaginary ones."""
    return np.concatenate([values.real, values.imag], axis=-1)


def _pairs(frequencies: int, sources: int, number: int, rounds: int) -> Ints:
    """(pairs, 2) frequency and source, denser to the top, other ones in each round."""
    count = int(np.clip(MOST_PAIRS // sources, LEAST_SNAPSHOTS, SNAPSHOTS))
    pairs = []
    for source in range(sources):
        first = ((number + source / sources) / rounds) % 1
        down = ((first + np.arange(count)) / count) ** 2
        at = np.unique(np.round((frequencies - 1) * (1 - down)).astype(int))
        pairs.append(np.column_stack([at, np.full(len(at), source)]))
    return np.concatenate(pairs)
