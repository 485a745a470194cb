"""Modes of the room once; then the bass at any pair of positions is a sum over them.

The response from s to r is phi(s)^T A(k)^-1 phi(r) with A = diag(k_n^2 - k^2) + j k sum(beta B),
B the boundary matrices in the basis of the rigid modes phi, plus what the modes above the basis
add, which is nearly the same at all frequencies of interest: the static correction at the shift
of the factors. A plausible room differs from the nominal by its lengths, its air and what its
surfaces absorb. Stretching a direction by e changes k_n^2 by -2 e times the share of the mode's
energy in that direction (first order; exact in a box).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import skfem
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array
from skfem.helpers import grad

from raysim.errors import SolverError
from raysim.place.plausible import Plausible
from raysim.scene.data import Scene
from raysim.scene.variants import BASE, Group, groups_of
from raysim.solvers.bass_surfaces import admittances_of, patches_of
from raysim.waves.elements import Cubic, Elements, assemble
from raysim.waves.modes import RigidModes, rigid_modes
from raysim.waves.reduced import EXACT_TO, reduce
from raysim.waves.tetrahedra import tetrahedra_of
from raysim.waves.threads import each, one_thread
from raysim.waves.treated import treat

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Complex = NDArray[np.complex128]

FREE_FIELD = 40 * np.pi  # times the unit monopole's 1/(4 pi r) is 10/r
LOWEST_HZ, HIGHEST_HZ = 20.0, 200.0
PER_OCTAVE = 24
MODES_ABOVE_HZ = 40.0  # the highest frequency
COLUMNS = 64
ATTEMPTS, FINER = 3, 0.97
"""A mesh whose factors are inexact is made anew with edges so much shorter."""


class Modes:
    """The rigid modes of a room and what its surfaces do to them.

    Parameters
    ----------
    scene : Scene
    frequencies_hz : (F,) float
    inside : (3,) float, m
        A point in the air.
    """

    def __init__(self, scene: Scene, frequencies_hz: Array, inside: Array) -> None:
        group, self.scene = groups_of(scene, [BASE])[0], scene
        self.frequencies_hz, self.speed = frequencies_hz, scene.climate.speed_of_sound
        for attempt in range(ATTEMPTS):
            try:
                self.elements, beta, ranges = _elements(
                    group, frequencies_hz, inside, FINER**attempt
                )
                self.modes = _rigid(self.elements, self.speed, float(frequencies_hz[-1]))
                break
            except SolverError:
                if attempt + 1 == ATTEMPTS:
                    raise
        self.boundary = np.array([_projected(b, self.modes.shapes) for b in self.elements.surfaces])
        self.beta, self.ranges = beta, ranges
        self.along = _energy_along(self.elements, self.modes)

    def at(self, points: Array) -> tuple[Array, csr_array]:
        """(points, modes) values of the modes, and the places themselves."""
        observe = self.elements.at(points)
        return np.asarray(observe @ self.modes.shapes), observe

    def beyond(self, sources: Array, points: Array) -> Array:
        """(sources, points): what modes above the basis add to the field of unit monopoles."""
        if len(points) < len(sources):
            return self.beyond(points, sources).T
        source_modes, source = self.at(sources)
        point_modes, point = self.at(points)
        weight = 1 / (self.modes.squared - self.modes.shift)

        def part(own: slice) -> Array:
            static = self.modes.factor.solve(source[own].toarray().T)
            return np.asarray((point @ static).T)

        starts = range(0, len(sources), COLUMNS)
        parts = each(part, [slice(start, start + COLUMNS) for start in starts])
        return np.vstack(parts) - (source_modes * weight) @ point_modes.T

    def matrices(self, chosen: Ints, room: Plausible | None = None) -> Complex:
        """(chosen, modes, modes) A at frequencies by number, in the nominal or a plausible room."""
        squared, speed, beta = self.modes.squared, self.speed, self.beta[:, chosen]
        if room is not None:
            squared = (self.along / room.stretch**2).sum(axis=1)
            speed = room.speed
            beta = beta * self.ranges[:, [1 if room.absorbing > 0 else 0]] ** abs(room.absorbing)
        k = 2 * np.pi * self.frequencies_hz[chosen] / speed
        size = len(squared)
        weight, flat = (1j * k * beta).T, self.boundary.reshape(-1, size * size)
        full = np.empty((len(k), size, size), np.complex128)
        full.real = (weight.real @ flat).reshape(full.shape)
        full.imag = (weight.imag @ flat).reshape(full.shape)
        full[:, np.arange(size), np.arange(size)] += squared - k[:, None] ** 2
        return full


def _projected(boundary: csc_array, shapes: Array) -> Array:
    """(modes, modes) of a boundary mass, which has entries in few unknowns."""
    on = np.flatnonzero(np.diff(boundary.indptr))
    return np.asarray(shapes[on].T @ (boundary[on][:, on] @ shapes[on]))


def _rigid(elements: Elements, speed: float, highest_hz: float) -> RigidModes:
    to_k = 2 * np.pi / speed
    reach = to_k * (highest_hz + MODES_ABOVE_HZ)
    with one_thread():
        return rigid_modes(elements, EXACT_TO * to_k * highest_hz, reach)


def exact_response(
    scene: Scene,
    sources: Array,
    points: Array,
    frequencies_hz: Array,
    modes: Modes | None = None,
) -> Complex:
    """(sources, points, F) by the full solution, re the free field at 10 m; desk and all.

    `modes` are those of the scene where they are known already.
    """
    modes = modes or Modes(scene, frequencies_hz, points[0])
    reduced = reduce(
        modes.elements,
        modes.speed,
        float(frequencies_hz[-1]),
        np.asarray(sources),
        modes=modes.modes,
    )
    return FREE_FIELD * treat(reduced, modes.beta, frequencies_hz).response(points)


def log_frequencies(highest_hz: float = HIGHEST_HZ) -> Array:
    """From 20 Hz in 24ths of an octave."""
    count = int(np.floor(PER_OCTAVE * np.log2(highest_hz / LOWEST_HZ) + 1e-9)) + 1
    return LOWEST_HZ * 2.0 ** (np.arange(count) / PER_OCTAVE)


def _elements(
    group: Group, frequencies_hz: Array, inside: Array, finer: float
) -> tuple[Elements, Complex, Array]:
    """Elements, (patches, F) admittances and (patches, 2) factors to their ends of the range."""
    scene, patches = group.scene, patches_of(group)
    wavelength = scene.climate.speed_of_sound / float(frequencies_hz[-1]) * finer
    mesh = tetrahedra_of(
        scene.mesh.vertices, scene.mesh.triangles, inside, wavelength, scene.volume
    )
    elements = assemble(mesh, patches.at, patches.areas)
    beta, _ = admittances_of(patches, 0, frequencies_hz)
    materials = [scene.materials[m] for m in patches.materials[:, 0].tolist()]
    ranges = np.array(
        [_range(m.absorption_low, m.absorption, m.absorption_high) for m in materials]
    )
    return elements, beta, ranges


def _range(low: Array, middle: Array, high: Array) -> tuple[float, float]:
    """Lowest and highest over stated absorption in the lowest band; 1 where nothing absorbs."""
    if middle[0] <= 0:
        return 1.0, 1.0
    return max(float(low[0] / middle[0]), 0.1), float(high[0] / middle[0])


def _energy_along(elements: Elements, modes: RigidModes) -> Array:
    """(modes, 3) parts of the squared wavenumbers by direction; their sum is exact."""
    mesh = elements.mesh
    grid = skfem.MeshTet(mesh.points.T.copy(), mesh.corners.T.copy())
    basis = skfem.Basis(grid, Cubic(), intorder=4)
    parts = []
    for axis in range(3):
        matrix = _slopes(axis).assemble(basis)
        parts.append(np.einsum("ij,ij->j", modes.shapes, matrix @ modes.shapes))
    along = np.maximum(np.array(parts).T, 0.0)
    total = along.sum(axis=1, keepdims=True)
    share = np.divide(along, total, out=np.zeros_like(along), where=total > 1e-9)
    return np.asarray(share * modes.squared[:, None])


def _slopes(axis: int) -> Any:
    return skfem.BilinearForm(lambda u, v, _: grad(u)[axis] * grad(v)[axis])
