"""The reduced room with one set of materials: a small dense problem at each frequency."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array

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


class Boundary(NamedTuple):
    """Boundary mass of surfaces with one admittance.

    Attributes
    ----------
    on : (m,) int
        The unknowns it has entries in.
    mass : (m, m) sparse
    """

    on: Ints
    mass: csr_array

    def extend(self, shapes: Array, known: Array) -> Array:
        """(basis, basis) in a basis (n, basis), of which the first (known, known) are given."""
        own, first = shapes[self.on], len(known)
        new = own.T @ (self.mass @ own[:, first:])
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
    boundaries : tuple of Boundary
        Surfaces of one admittance, together.
    groups : (groups, basis, basis) float
        Their boundary matrices in the basis.
    admittances : (groups, frequencies) complex
    frequencies_hz : (frequencies,) float
    """

    reduced: Reduced
    shapes: Array
    stiffness: Array
    boundaries: tuple[Boundary, ...]
    groups: Array
    admittances: Complex
    frequencies_hz: Array

    @property
    def wavenumbers(self) -> Array:
        """(frequencies,) float, rad/m."""
        return np.asarray(2 * np.pi * self.frequencies_hz / self.reduced.speed)

    def admittances_at(self, wavenumbers: Array) -> Complex:
        """(groups, wavenumbers), by straight lines between the frequencies."""
        at = self.wavenumbers
        after = np.clip(np.searchsorted(at, wavenumbers), 1, len(at) - 1)
        share = np.clip((wavenumbers - at[after - 1]) / (at[after] - at[after - 1]), 0, 1)
        beta = self.admittances
        return np.asarray((1 - share) * beta[:, after - 1] + share * beta[:, after])

    def matrices(self, chosen: Ints) -> Complex:
        """(chosen, basis, basis): stiffness + j k sum(beta B) - k^2 at frequencies by number."""
        k = self.wavenumbers[chosen]
        weight = 1j * k[:, None] * self.admittances[:, chosen].T
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
        observe = points if isinstance(points, csr_array) else self.reduced.elements.at(points)
        solved = self.solutions(np.arange(len(self.frequencies_hz)))
        return np.asarray(np.moveaxis((observe @ self.shapes) @ solved, 0, 2).transpose(1, 0, 2))


def treat(reduced: Reduced, admittances: Complex, frequencies_hz: Array) -> Treated:
    """Give the surfaces admittances.

    The rigid modes and the near fields of the sources miss how the field bends at absorbing
    surfaces. Where the solution in the basis leaves a residual in the full equations, applying
    the inverse of stiffness - shift * mass to it gives a correction; corrections at a few
    frequencies, twice, are appended to the basis. In this inverse a residual of the modes is
    none, so it acts on what lies above them, where it is near the true inverse.

    Parameters
    ----------
    reduced : Reduced
    admittances : (surfaces, frequencies) complex
        Times rho0 c0, locally reacting; real parts not negative.
    frequencies_hz : (frequencies,) float
        Rising.
    """
    if (admittances.real < -1e-9).any():
        raise ValueError("an admittance with a negative real part makes sound; it can't be")
    boundaries, beta = _grouped(reduced, admittances)
    start = Treated(
        reduced,
        reduced.shapes[:, :0],
        np.zeros((0, 0)),
        boundaries,
        np.zeros((len(boundaries), 0, 0)),
        beta,
        frequencies_hz,
    )
    treated = _extended(start, reduced.shapes)
    for number in range(ROUNDS if boundaries else 0):
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
        return _corrected(treated, _left_at_boundaries(treated, k, pressure))


def _corrected(treated: Treated, residuals: Complex) -> Treated:
    """In the basis extended by what residuals (n, columns) ask for."""
    both = np.hstack([residuals.real, residuals.imag])
    both = both[:, np.abs(both).max(axis=0) > 0]
    reduced = treated.reduced
    new = lacking(reduced.mass, treated.shapes, reduced.modes.factor.solve(both), DROP)
    return _extended(treated, np.hstack([treated.shapes, new]))


def _grouped(reduced: Reduced, admittances: Complex) -> tuple[tuple[Boundary, ...], Complex]:
    """Boundary matrices of equal admittance, added; rigid ones left out."""
    values, inverse = np.unique(admittances, axis=0, return_inverse=True)
    chosen = [g for g in range(len(values)) if np.abs(values[g]).max() > 0]
    surfaces = reduced.elements.surfaces
    boundaries = []
    for g in chosen:
        own = [surfaces[s] for s in np.flatnonzero(inverse.reshape(-1) == g)]
        total = csc_array(sum(own[1:], start=own[0]))
        on = np.flatnonzero(np.diff(total.indptr))
        boundaries.append(Boundary(on, csr_array(total[on][:, on])))
    return tuple(boundaries), values[chosen]


def _extended(treated: Treated, shapes: Array) -> Treated:
    """The same in more shapes: those it has, and some that are orthonormal to them."""
    reduced, size = treated.reduced, shapes.shape[1]
    modes = len(reduced.modes.squared)
    stiffness = np.zeros((size, size))
    stiffness[np.arange(modes), np.arange(modes)] = reduced.modes.squared
    rest = shapes[:, modes:]
    product = rest.T @ (reduced.elements.stiffness @ rest)
    stiffness[modes:, modes:] = (product + product.T) / 2
    groups = [
        boundary.extend(shapes, known)
        for boundary, known in zip(treated.boundaries, treated.groups, strict=True)
    ]
    return replace(
        treated,
        shapes=shapes,
        stiffness=stiffness,
        groups=np.array(groups).reshape(-1, size, size),
    )


def _residuals(treated: Treated, number: int) -> Complex:
    """(n, pairs) what solutions leave, at a few frequencies and sources.

    Of (K + j k sum(beta B) - k^2 M) p - q only what the inverse of K - shift M doesn't return
    into the basis: (k^2 - shift) M r - j k sum(beta B) p, r the part of p beside the modes.
    """
    reduced, modes = treated.reduced, len(treated.reduced.modes.squared)
    pairs = _pairs(len(treated.frequencies_hz), reduced.loads.shape[1], number)
    chosen, column = np.unique(pairs[:, 0], return_inverse=True)
    solved = treated.solutions(chosen)[column.reshape(-1), :, pairs[:, 1]].T
    k = treated.wavenumbers[pairs[:, 0]]
    aside = treated.shapes[:, modes:] @ solved[modes:]
    left = (k**2 - reduced.modes.shift) * _times(reduced.mass, aside)
    return left + _left_at_boundaries(treated, k, solved)


def _left_at_boundaries(treated: Treated, wavenumbers: Array, solved: Complex) -> Complex:
    """(n, columns): - j k sum(beta B) p of fields (basis, columns), each with a wavenumber."""
    left = np.zeros((len(treated.shapes), solved.shape[1]), np.complex128)
    beta = treated.admittances_at(wavenumbers)
    for boundary, own in zip(treated.boundaries, beta, strict=True):
        pressure = treated.shapes[boundary.on] @ solved
        left[boundary.on] -= 1j * wavenumbers * own * _times(boundary.mass, pressure)
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


def _times(matrix: csr_array, values: Complex) -> Complex:
    """Real sparse matrix times complex columns."""
    return np.asarray(matrix @ values.real + 1j * (matrix @ values.imag))
