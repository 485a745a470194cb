"""The reduced room with one set of materials: a small dense problem at each frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array

from raysim.waves.bodies import BOUNDARY, Filling, faced, factor_of, terms_of
from raysim.waves.factor import Factor
from raysim.waves.reduced import Reduced, lacking
from raysim.waves.threads import each, one_thread

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Complex = NDArray[np.complex128]

# Frequencies of the corrections, each round, times sources: 20 of one source, 10 each of four.
ROUNDS = 2
SNAPSHOTS, LEAST_SNAPSHOTS, MOST_PAIRS = 20, 6, 40
DROP = 2e-3
MODES_TO = 1.1  # of the highest frequency that modes are asked to
TOGETHER = 8


class Part(NamedTuple):
    """What has one coefficient: boundary mass of surfaces, or a matrix of what fills a body.

    Attributes
    ----------
    on : (m,) int
        The unknowns it has entries in.
    matrix : (m, m) sparse
    power : int
        Its weight is the coefficient times (j k)^power: 1 for admittances.
    """

    on: Ints
    matrix: csr_array
    power: int = BOUNDARY

    def extend(self, shapes: Array, known: Array) -> Array:
        """(basis, basis) in a basis (n, basis), of which the first (known, known) are given."""
        own, first = shapes[self.on], len(known)
        new = own.T @ (self.matrix @ own[:, first:])
        below = np.vstack([known, new[:first].T])
        return np.hstack([below, new])


@dataclass(frozen=True)
class Treated:
    """The room with one set of materials.

    Attributes
    ----------
    reduced : Reduced
    shapes : (n, basis) float
        Orthonormal with respect to the mass: the shapes of `reduced`, then corrections.
    stiffness : (basis, basis) float
    parts : tuple of Part
        Surfaces of one admittance, together, then what fills bodies.
    groups : (parts, basis, basis) float
        Their matrices in the basis.
    coefficients : (parts, frequencies) complex
    frequencies_hz : (frequencies,) float
    factor : Factor
        Whose inverse gives corrections.
    """

    reduced: Reduced
    shapes: Array
    stiffness: Array
    parts: tuple[Part, ...]
    groups: Array
    coefficients: Complex
    frequencies_hz: Array
    factor: Factor

    @property
    def wavenumbers(self) -> Array:
        """(frequencies,) float, rad/m."""
        return np.asarray(2 * np.pi * self.frequencies_hz / self.reduced.speed)

    @property
    def is_filled(self) -> bool:
        """Whether bodies are filled with something else than air."""
        return self.factor is not self.reduced.modes.factor

    @property
    def powers(self) -> Ints:
        """(parts,) int."""
        return np.array([part.power for part in self.parts], np.int64)

    def coefficients_at(self, wavenumbers: Array) -> Complex:
        """(parts, wavenumbers), by straight lines between the frequencies."""
        at = self.wavenumbers
        after = np.clip(np.searchsorted(at, wavenumbers), 1, len(at) - 1)
        share = np.clip((wavenumbers - at[after - 1]) / (at[after] - at[after - 1]), 0, 1)
        own = self.coefficients
        return np.asarray((1 - share) * own[:, after - 1] + share * own[:, after])

    def matrices(self, chosen: Ints) -> Complex:
        """(chosen, basis, basis): stiffness + j k sum(beta B) - k^2 at frequencies by number."""
        k = self.wavenumbers[chosen]
        weight = (1j * k[:, None]) ** self.powers * self.coefficients[:, chosen].T
        size = len(self.stiffness)
        flat = self.groups.reshape(len(self.groups), size * size)
        full = np.empty((len(k), size, size), np.complex128)
        full.real = (weight.real @ flat).reshape(full.shape) + self.stiffness
        full.imag = (weight.imag @ flat).reshape(full.shape)
        full[:, np.arange(size), np.arange(size)] -= (k**2)[:, None]
        return full

    def solutions(self, chosen: Ints) -> Complex:
        """(chosen, basis, sources): the field of each unit monopole in the basis."""
        loads = (self.shapes.T @ self.reduced.loads).astype(np.complex128)
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
        elements = self.reduced.elements
        observe = points if isinstance(points, csr_array) else elements.at(points)
        observe = widened(observe, elements.size)
        solved = self.solutions(np.arange(len(self.frequencies_hz)))
        return np.asarray(np.moveaxis((observe @ self.shapes) @ solved, 0, 2).transpose(1, 0, 2))


def widened(observe: csr_array, size: int) -> csr_array:
    """`Elements.at` of a room for places in its air, when bodies have got unknowns of their own."""
    made = (observe.data, observe.indices, observe.indptr)
    return csr_array(made, shape=(observe.shape[0], size))


def treat(
    reduced: Reduced,
    admittances: Complex,
    frequencies_hz: Array,
    fillings: Sequence[Filling] = (),
) -> Treated:
    """Give the surfaces admittances, and fill bodies.

    The rigid modes and the near fields of the sources miss how the field bends at absorbing
    surfaces. Where the solution in the basis leaves a residual in the full equations, applying
    the inverse of stiffness - shift * mass to it gives a correction; corrections at a few
    frequencies, twice, are appended to the basis. In this inverse a residual of the modes is
    none, so it acts on what lies above them, where it is near the true inverse. Where bodies are
    filled, the inverse is that of the room with them.

    Parameters
    ----------
    reduced : Reduced
    admittances : (surfaces, frequencies) complex
        Times rho0 c0, locally reacting; real parts not negative.
    frequencies_hz : (frequencies,) float
        Rising.
    fillings : sequence of Filling
        Other bodies are air.
    """
    if (admittances.real < -1e-9).any():
        raise ValueError("an admittance with a negative real part makes sound; it can't be")
    factor, added = reduced.modes.factor, []
    if fillings:
        reduced = faced(reduced, fillings)
        terms = terms_of(reduced.elements, fillings)
        with one_thread():
            factor = factor_of(reduced, terms, frequencies_hz)
        added = [(_part(term.matrix, term.power), term.coefficients) for term in terms]
    parts, beta = _grouped(reduced, admittances)
    start = Treated(
        reduced,
        reduced.shapes[:, :0],
        np.zeros((0, 0)),
        (*parts, *(part for part, _ in added)),
        np.zeros((len(parts) + len(added), 0, 0)),
        np.vstack([beta, *(own for _, own in added)]),
        frequencies_hz,
        factor,
    )
    treated = _extended(start, reduced.shapes)
    for number in range(ROUNDS if start.parts else 0):
        with one_thread():
            treated = _corrected(treated, _residuals(treated, number))
    return treated


def follow_modes(treated: Treated, wavenumber: float) -> Treated:
    """The same with corrections for each rigid mode up to a wavenumber.

    Responses need those for the sources only; the decay of each mode needs its own.
    """
    rigid = np.sqrt(treated.reduced.modes.squared)
    own = np.flatnonzero(rigid <= MODES_TO * wavenumber)
    k = np.clip(rigid[own], treated.wavenumbers[0], None)
    pressure = np.zeros((treated.shapes.shape[1], len(own)), np.complex128)
    pressure[own, np.arange(len(own))] = 1
    with one_thread():
        return _corrected(treated, _left(treated, k, pressure))


def _corrected(treated: Treated, residuals: Complex) -> Treated:
    """In the basis extended by what residuals (n, columns) ask for."""
    both = np.hstack([residuals.real, residuals.imag])
    if treated.is_filled:
        made = treated.factor.solve(residuals)
        more = np.hstack([made.real, made.imag])
    else:
        more = treated.factor.solve(both[:, np.abs(both).max(axis=0) > 0])
    new = lacking(treated.reduced.mass, treated.shapes, more, DROP)
    return _extended(treated, np.hstack([treated.shapes, new]))


def _grouped(reduced: Reduced, admittances: Complex) -> tuple[tuple[Part, ...], Complex]:
    """Boundary matrices of equal admittance, added; rigid ones left out."""
    values, inverse = np.unique(admittances, axis=0, return_inverse=True)
    chosen = [g for g in range(len(values)) if np.abs(values[g]).max() > 0]
    surfaces = reduced.elements.surfaces
    parts = []
    for g in chosen:
        own = [surfaces[s] for s in np.flatnonzero(inverse.reshape(-1) == g)]
        parts.append(_part(sum(own[1:], start=own[0])))
    return tuple(parts), values[chosen]


def _part(matrix: csc_array, power: int = BOUNDARY) -> Part:
    matrix = csc_array(matrix)
    on = np.flatnonzero(np.diff(matrix.indptr))
    return Part(on, csr_array(matrix[on][:, on]), power)


def _extended(treated: Treated, shapes: Array) -> Treated:
    """The same in more shapes: those it has, and some that are orthonormal to them."""
    reduced, size = treated.reduced, shapes.shape[1]
    modes = len(reduced.modes.squared)
    stiffness = np.zeros((size, size))
    stiffness[np.arange(modes), np.arange(modes)] = reduced.modes.squared
    # Between the two there is none, except where shapes may jump and the modes couldn't.
    first = 0 if treated.is_filled else modes
    product = shapes[:, first:].T @ (reduced.elements.stiffness @ shapes[:, modes:])
    stiffness[first:, modes:] = product
    stiffness[modes:, first:] = product.T
    groups = [
        part.extend(shapes, known)
        for part, known in zip(treated.parts, treated.groups, strict=True)
    ]
    return replace(
        treated,
        shapes=shapes,
        stiffness=stiffness,
        groups=np.array(groups).reshape(-1, size, size),
    )


def _residuals(treated: Treated, number: int) -> Complex:
    """(n, pairs) what solutions leave, at a few frequencies and sources."""
    reduced = treated.reduced
    pairs = _pairs(len(treated.frequencies_hz), reduced.loads.shape[1], number)
    chosen, column = np.unique(pairs[:, 0], return_inverse=True)
    solved = treated.solutions(chosen)[column.reshape(-1), :, pairs[:, 1]].T
    k = treated.wavenumbers[pairs[:, 0]]
    left = _left(treated, k, solved)
    return left + reduced.loads[:, pairs[:, 1]] if treated.is_filled else left


def _left(treated: Treated, wavenumbers: Array, solved: Complex) -> Complex:
    """(n, columns): - (K + j k sum(beta B) - k^2 M) p of fields (basis, columns).

    Without bodies filled only what the inverse of K - shift M doesn't return into the basis:
    (k^2 - shift) M r - j k sum(beta B) p, r the part of p beside the modes.
    """
    reduced, modes = treated.reduced, len(treated.reduced.modes.squared)
    left = _left_by_parts(treated, wavenumbers, solved)
    if not treated.is_filled:
        aside = treated.shapes[:, modes:] @ solved[modes:]
        return left + (wavenumbers**2 - reduced.modes.shift) * _times(reduced.mass, aside)
    pressure = treated.shapes @ solved
    left += wavenumbers**2 * _times(reduced.mass, pressure)
    return np.asarray(left - _times(reduced.elements.stiffness, pressure))


def _left_by_parts(treated: Treated, wavenumbers: Array, solved: Complex) -> Complex:
    """(n, columns): - j k sum(beta B) p of fields (basis, columns), each with a wavenumber."""
    left = np.zeros((len(treated.shapes), solved.shape[1]), np.complex128)
    coefficients = treated.coefficients_at(wavenumbers)
    for part, own in zip(treated.parts, coefficients, strict=True):
        pressure = treated.shapes[part.on] @ solved
        weight = (1j * wavenumbers) ** part.power * own
        left[part.on] -= weight * _times(part.matrix, pressure)
    return left


def _pairs(frequencies: int, sources: int, number: int) -> Ints:
    """(pairs, 2) frequency and source, spread over both, other ones in each round."""
    count = int(np.clip(MOST_PAIRS // sources, LEAST_SNAPSHOTS, SNAPSHOTS))
    step = (frequencies - 1) / count
    pairs = []
    for source in range(sources):
        first = step * (((number + source / sources) / ROUNDS) % 1)
        at = np.unique(np.round(first + step * np.arange(count)).astype(int))
        at[-1] = frequencies - 1
        pairs.append(np.column_stack([at, np.full(len(at), source)]))
    return np.concatenate(pairs)


def _times(matrix: csr_array | csc_array, values: Complex) -> Complex:
    """Real sparse matrix times complex columns."""
    return np.asarray(matrix @ values.real + 1j * (matrix @ values.imag))
