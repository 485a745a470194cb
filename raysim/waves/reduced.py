"""The room reduced to a few hundred shapes: each treatment is then a small dense problem."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray
from scipy.sparse import csc_array

from raysim.waves.elements import Elements
from raysim.waves.factor import Factor, dissection
from raysim.waves.modes import expected_modes, rigid_modes
from raysim.waves.threads import one_thread

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Of the highest frequency, or so many Hz above it, whichever is more.
MODES_TO, MODES_ABOVE_HZ = 1.15, 40.0
COSINES_TO, COSINES_ABOVE_HZ = 1.25, 100.0
PADDING_M = 0.5
DROP = 1e-3
STATIC_AT = 0.2  # of the highest frequency
SNAPSHOTS = 20
SNAPSHOT_DROP = 1e-5


@dataclass(frozen=True)
class Reduced:
    """Matrices in a basis that is orthonormal with respect to the mass.

    The basis has the rigid modes, what each source adds to them in the static limit, and cosines
    of a padded bounding box, which carry the field near absorbing surfaces.

    Attributes
    ----------
    elements : Elements
    speed : float, m/s
    frequency_hz : float
        Highest of interest.
    shapes : (n, basis) float
    modes : int
        How many of the shapes are rigid modes.
    kept : int
        How many every variant keeps: modes and statics.
    stiffness : (basis, basis) float
    surfaces : tuple of (basis, basis) float
    sources : (basis, sources) float
        Unit monopoles.
    """

    elements: Elements
    speed: float
    frequency_hz: float
    shapes: Array
    modes: int
    kept: int
    stiffness: Array
    surfaces: tuple[Array, ...]
    sources: Array

    @property
    def mode_frequencies_hz(self) -> Array:
        """(modes,) float of the room with rigid walls."""
        squared = np.diagonal(self.stiffness)[: self.modes]
        return np.asarray(np.sqrt(np.maximum(squared, 0)) * self.speed / (2 * np.pi))

    def at(self, points: Array) -> Array:
        """(points, basis) values of the shapes at (points, 3) places."""
        return np.asarray(self.elements.at(points) @ self.shapes)


def reduce(
    elements: Elements,
    speed: float,
    frequency_hz: float,
    sources: Array,
    names: list[str] | None = None,
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

    Raises
    ------
    SceneError
        A source outside the air.
    SolverError
        Modes don't converge.
    """
    load = elements.at(sources, names).toarray().T
    to_k = 2 * np.pi / speed
    reach = to_k * max(MODES_TO * frequency_hz, frequency_hz + MODES_ABOVE_HZ)
    cosines = to_k * max(COSINES_TO * frequency_hz, frequency_hz + COSINES_ABOVE_HZ)
    area = float(sum(each.sum() for each in elements.surfaces))
    expected = expected_modes(elements.mesh.volume, area, reach)
    static = elements.stiffness + (STATIC_AT * to_k * frequency_hz) ** 2 * elements.mass
    with one_thread():
        order = dissection(elements.stiffness, elements.nodes)
        _, modes = rigid_modes(elements, order, reach, expected)
        constant = Factor(static, order).solve(load)
    shapes = _appended(elements, modes, constant, 1e-6)
    kept = shapes.shape[1]
    shapes = _appended(elements, shapes, _box_cosines(elements.nodes, cosines), DROP)
    return Reduced(
        elements,
        speed,
        frequency_hz,
        shapes,
        modes.shape[1],
        kept,
        _projected(shapes, elements.stiffness),
        tuple(_projected(shapes, each) for each in elements.surfaces),
        shapes.T @ load,
    )


def _projected(shapes: Array, matrix: csc_array) -> Array:
    """Matrix in the basis; only the rows it has entries in count, few for a surface's."""
    own = np.flatnonzero(np.diff(matrix.indptr))
    few = shapes[own]
    product = few.T @ (matrix[own][:, own] @ few)
    return np.asarray((product + product.T) / 2)


def _appended(elements: Elements, shapes: Array, more: Array, drop: float) -> Array:
    """Append directions of `more` that `shapes` lack, orthonormal with respect to the mass."""
    mass = elements.mass
    more = more / np.sqrt(np.einsum("ij,ij->j", more, mass @ more))
    for _ in range(2):
        more = more - shapes @ (shapes.T @ (mass @ more))
    strength, turn = np.linalg.eigh(more.T @ (mass @ more))
    strong = strength > drop**2
    more = more @ (turn[:, strong] / np.sqrt(strength[strong]))
    more = more - shapes @ (shapes.T @ (mass @ more))
    return np.hstack([shapes, more])


def _box_cosines(nodes: Array, wavenumber: float) -> Array:
    """(n, q) products of cosines of the padded bounding box up to a wavenumber."""
    low = nodes.min(axis=0) - PADDING_M
    length = nodes.max(axis=0) + PADDING_M - low
    most = (wavenumber * length / np.pi).astype(int)
    numbers = np.indices(most + 1).reshape(3, -1).T
    numbers = numbers[((numbers * np.pi / length) ** 2).sum(axis=1) <= wavenumber**2]
    along = [
        np.cos(np.pi / length[a] * np.outer(nodes[:, a] - low[a], np.arange(most[a] + 1)))
        for a in range(3)
    ]
    return np.asarray(np.prod([along[a][:, numbers[:, a]] for a in range(3)], axis=0))


@dataclass(frozen=True)
class Treated:
    """The reduced room with one set of materials, reduced once more by snapshots.

    Attributes
    ----------
    reduced : Reduced
    basis : (basis, small) float
        Orthonormal: modes, statics, and the rest of a few solutions.
    stiffness : (small, small) float
    groups : tuple of (small, small) float
        Boundary matrices of surfaces of one admittance, added.
    admittances : (groups, frequencies) complex
    frequencies_hz : (frequencies,) float
    """

    reduced: Reduced
    basis: Array
    stiffness: Array
    groups: tuple[Array, ...]
    admittances: Complex
    frequencies_hz: Array

    def matrix(self, frequency: int) -> Complex:
        """(small, small) of the frequency with this number."""
        k = 2 * np.pi * self.frequencies_hz[frequency] / self.reduced.speed
        full = self.stiffness.astype(np.complex128)
        full[np.diag_indices_from(full)] -= k * k
        for beta, group in zip(self.admittances[:, frequency], self.groups, strict=True):
            full += (1j * k * beta) * group
        return full

    def response(self, points: Array) -> Complex:
        """Pressure of a unit monopole, 1/(4 pi r) in the free field, with exp(j omega t).

        Parameters
        ----------
        points : (points, 3) float, m

        Returns
        -------
        (sources, points, frequencies) complex
        """
        observed = self.reduced.at(points) @ self.basis
        load = (self.basis.T @ self.reduced.sources).astype(np.complex128)
        out = np.empty((load.shape[1], len(points), len(self.frequencies_hz)), np.complex128)
        for i in range(len(self.frequencies_hz)):
            solved = scipy.linalg.solve(
                self.matrix(i), load, assume_a="sym", check_finite=False, overwrite_a=True
            )
            out[:, :, i] = (observed @ solved).T
        return out


def treat(reduced: Reduced, admittances: Complex, frequencies_hz: Array) -> Treated:
    """Give the surfaces admittances.

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
    values, inverse = np.unique(admittances, axis=0, return_inverse=True)
    chosen = [g for g in range(len(values)) if np.abs(values[g]).max() > 0]
    groups = [
        np.sum([reduced.surfaces[s] for s in np.flatnonzero(inverse.ravel() == g)], axis=0)
        for g in chosen
    ]
    beta = values[chosen]
    basis = _snapshot_basis(reduced, groups, beta, frequencies_hz)
    small = [basis.T @ (group @ basis) for group in groups]
    stiffness = basis.T @ (reduced.stiffness @ basis)
    return Treated(reduced, basis, stiffness, tuple(small), beta, frequencies_hz)


def _snapshot_basis(
    reduced: Reduced, groups: Sequence[Array], beta: Complex, frequencies_hz: Array
) -> Array:
    """Modes and statics, and the rest of solutions at a few frequencies."""
    size, kept = len(reduced.stiffness), reduced.kept
    identity = np.eye(size, kept)
    if not groups or size == kept:
        return np.eye(size, size if groups else kept)
    chosen = np.unique(np.linspace(0, len(frequencies_hz) - 1, SNAPSHOTS).astype(int))
    single = [group.astype(np.float32) for group in groups]
    rest = []
    for i in chosen:
        k = 2 * np.pi * frequencies_hz[i] / reduced.speed
        full = reduced.stiffness.astype(np.complex64)
        full[np.diag_indices_from(full)] -= np.complex64(k * k)
        for value, group in zip(beta[:, i], single, strict=True):
            full += np.complex64(1j * k * value) * group
        solved = scipy.linalg.solve(
            full, reduced.sources.astype(np.complex64), assume_a="sym", check_finite=False
        )[kept:]
        rest += [solved.real, solved.imag]
    gathered = np.hstack(rest).astype(np.float64)
    gathered = gathered / np.maximum(np.linalg.norm(gathered, axis=0), 1e-300)
    left, strength, _ = np.linalg.svd(gathered, full_matrices=False)
    left = left[:, strength > SNAPSHOT_DROP * strength[0]]
    return np.hstack([identity, np.vstack([np.zeros((kept, left.shape[1])), left])])
