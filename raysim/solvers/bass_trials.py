"""The bass of many sets of covers in one geometry: one basis for all, each a small problem.

The basis holds the room's modes, the near fields of the sources, and what `waves.treated` adds to
them for the bare room and for one with every cover in its place at once. A set changes only the
boundary matrices, projected on it once for each cover.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from raysim.scene.data import Facet, Scene
from raysim.scene.variants import Cover, Group, groups_of
from raysim.solvers.bass import FREE_FIELD, base_of, zones_of
from raysim.solvers.bass_surfaces import admittance_of, admittances_of
from raysim.waves.damped import Damped, damped_modes
from raysim.waves.tetrahedra import barycentric_in
from raysim.waves.treated import Treated, extended, treat

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

SAMPLE_M = 0.1
INTO_AIR_M = 0.01
IN_AIR = 1e-3


@dataclass(frozen=True)
class Patch:
    """What a cover adds to the boundary: its matrix in the basis, times an admittance.

    Attributes
    ----------
    key : (int, int)
        Materials of the cover and of what it covers.
    matrix : (basis, basis) float, m2
    more : (F,) complex
        Admittance of the cover less that of what it covers.
    """

    key: tuple[int, int]
    matrix: Array
    more: Complex


@dataclass(frozen=True)
class TrialModes:
    """Modes of a set.

    Attributes
    ----------
    frequency_hz, decay_time_s : (modes,) float
    at_sources, at_receivers : (modes, n) float
        Pressure re its root mean square over the room, with sign.
    """

    frequency_hz: Array
    decay_time_s: Array
    at_sources: Array
    at_receivers: Array


class Trials:
    """One geometry and its covers.

    Parameters
    ----------
    scene : Scene
    bare : str
        Variant without covers.
    every : str
        Variant with all of them, the most absorbing last.
    names : mapping of str to str
        Variant of each cover, by the cover's name; all of the geometry of `bare`.
    frequencies_hz : (F,) float
        Rising.
    modes_to_hz : float

    Raises
    ------
    SceneError, SolverError
        As `solvers.bass.compute_bass`.
    """

    def __init__(
        self,
        scene: Scene,
        bare: str,
        every: str,
        names: Mapping[str, str],
        frequencies_hz: Array,
        modes_to_hz: float,
    ) -> None:
        wanted = list(dict.fromkeys([bare, every, *names.values()]))
        (group,) = groups_of(scene, wanted)
        own = dict(zip(group.variants, group.covers, strict=True))
        taught = Group(group.scene, (bare, every), (own[bare], own[every]))
        known = base_of(taught, frequencies_hz)
        patches, reduced = known.patches, known.reduced
        self.scene, self.frequencies_hz = group.scene, frequencies_hz
        self.modes_to_hz = modes_to_hz
        one, other = (
            treat(reduced, admittances_of(patches, n, frequencies_hz)[0], frequencies_hz)
            for n in range(2)
        )
        self.base = extended(one, other.added) if other.added.shape[1] else one
        elements = reduced.elements
        zones, _ = zones_of(group.scene, elements)
        self.heads = self._seen(zones.reshape(-1, 3))
        self.head_shape = zones.shape[:2]
        self.sources = self._seen(np.array([s.position for s in scene.sources]))
        self.receivers = self._seen(np.array([r.position for r in scene.receivers]))
        self.root_volume = float(np.sqrt(elements.mesh.volume))
        covers = {name: own[variant] for name, variant in names.items()}
        self.patches = self._patches_of(covers)
        self._bare_modes: Damped | None = None

    def treated(self, covers: Iterable[str]) -> Treated:
        """The room with some covers."""
        matrices: dict[tuple[int, int], Array] = {}
        more: dict[tuple[int, int], Complex] = {}
        for name in covers:
            for patch in self.patches[name]:
                before = matrices.get(patch.key)
                matrices[patch.key] = patch.matrix if before is None else before + patch.matrix
                more[patch.key] = patch.more
        if not matrices:
            return self.base
        return replace(
            self.base,
            groups=np.concatenate([self.base.groups, list(matrices.values())]),
            powers=np.concatenate([self.base.powers, np.ones(len(more), np.int64)]),
            coefficients=np.concatenate([self.base.coefficients, list(more.values())]),
        )

    def response(self, treated: Treated, from_hz: float) -> tuple[Array, Complex]:
        """Frequencies from one on, (F,), and (sources, receivers, 9, F) pressure in the head zones.

        Re the free field of each source at 10 m, as `results.Bass.zone`.
        """
        chosen = np.flatnonzero(self.frequencies_hz >= from_hz)
        solved = treated.solutions(chosen)
        pressure = FREE_FIELD * np.einsum("pb,fbs->spf", self.heads, solved)
        shape = (len(self.sources), *self.head_shape, len(chosen))
        return self.frequencies_hz[chosen], np.asarray(pressure.reshape(shape))

    def modes(self, treated: Treated) -> TrialModes:
        """Modes from the lowest frequency to `modes_to_hz`."""
        found = damped_modes(treated, self.modes_to_hz)
        shapes = found.shapes
        turn = np.exp(-0.5j * np.angle((shapes**2).sum(axis=0)))
        real = (shapes * turn / np.linalg.norm(shapes, axis=0)).real * self.root_volume
        return TrialModes(
            found.frequencies_hz,
            found.decay_times_s,
            (self.sources @ real).T,
            (self.receivers @ real).T,
        )

    def decay_times_with(self, name: str) -> tuple[Array, Array]:
        """Decay times of the bare room's modes, (modes,) s, and with one cover to first order.

        A mode k, v of T(k) v = 0 moves by -v^T dT v / (v^T T'(k) v); here dT = j k dbeta B.
        """
        if self._bare_modes is None:
            self._bare_modes = damped_modes(self.base, self.modes_to_hz)
        modes, base = self._bare_modes, self.base
        k, v = modes.wavenumbers, modes.shapes
        own = np.einsum("im,gij,jm->gm", v, base.groups, v, optimize=True)
        step = 1e-3 * k.real
        slope = (base.weights_at(k + step) - base.weights_at(k - step)) / (2 * step)
        change = (slope * own).sum(axis=0) - 2 * k * (v**2).sum(axis=0)
        moved = np.zeros_like(k)
        at = 2 * np.pi * self.frequencies_hz / modes.speed
        for patch in self.patches[name]:
            more = np.interp(k.real, at, patch.more.real) + 1j * np.interp(
                k.real, at, patch.more.imag
            )
            moved -= 1j * k * more * np.einsum("im,ij,jm->m", v, patch.matrix, v) / change
        return modes.decay_times_s, replace(modes, wavenumbers=k + moved).decay_times_s

    def _seen(self, points: Array) -> Array:
        """(points, basis) values of the basis."""
        return self.base.seen_at(self.base.reduced.elements.at(points))

    def _patches_of(self, covers: Mapping[str, Sequence[Cover]]) -> dict[str, tuple[Patch, ...]]:
        """Matrices of every cover, by the midpoint rule over what of it is on its facet in air."""
        scene, elements = self.scene, self.base.reduced.elements
        each = [(name, cover) for name, own in covers.items() for cover in own]
        found: dict[str, tuple[Patch, ...]] = {name: () for name in covers}
        if not each:
            return found
        outlines = [Polygon(f.outline[0], f.outline[1:]) for f in scene.facets]
        samples = [_samples(scene.facets[c.facet], outlines[c.facet], c) for _, c in each]
        owner = np.repeat(np.arange(len(each)), [len(points) for points, _ in samples])
        points = np.concatenate([points for points, _ in samples])
        areas = np.concatenate([areas for _, areas in samples])
        corners = elements.mesh.points[elements.mesh.corners]
        in_air = barycentric_in(corners, points, IN_AIR)[0] >= 0
        there = self._seen(points[in_air])
        owner, areas = owner[in_air], areas[in_air]
        unders = [scene.surfaces[scene.facets[c.facet].surface].material for _, c in each]
        covering = [c.material for _, c in each]
        more = {pair: self._more(*pair) for pair in set(zip(covering, unders, strict=True))}
        for n, (name, cover) in enumerate(each):
            own, area = there[owner == n], areas[owner == n]
            key = (cover.material, unders[n])
            patch = Patch(key, own.T @ (area[:, None] * own), more[key])
            found[name] = (*found[name], patch)
        return found

    def _more(self, cover: int, wall: int) -> Complex:
        """(F,) admittance of a cover with its wall behind less that of the wall, by material."""
        materials, f = self.scene.materials, self.frequencies_hz
        with_wall = admittance_of(materials[cover], self.scene, f, materials[wall])[0]
        return with_wall - admittance_of(materials[wall], self.scene, f)[0]


def _samples(facet: Facet, outline: Polygon, cover: Cover) -> tuple[Array, Array]:
    """(n, 3) points of a cover a little into the air, and the area of each, m2."""
    low, high = np.array(cover.rect[:2]), np.array(cover.rect[2:])
    count = np.maximum(np.ceil((high - low) / SAMPLE_M).astype(int), 1)
    cell = (high - low) / count
    u, v = (low[a] + cell[a] * (np.arange(count[a]) + 0.5) for a in range(2))
    plane = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    plane = plane[shapely.contains_xy(outline, plane[:, 0], plane[:, 1])]
    area = outline.intersection(shapely.box(*low, *high)).area / max(1, len(plane))
    points = facet.origin + plane[:, :1] * facet.u + plane[:, 1:] * facet.v
    return points + INTO_AIR_M * facet.normal, np.full(len(points), area)
