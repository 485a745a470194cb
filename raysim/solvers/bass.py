"""The bass of a scene: response at the seats and modes, by waves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SettingsError
from raysim.results.data import Bass
from raysim.scene.data import Scene
from raysim.scene.variants import Group, groups_of
from raysim.solvers.bass_bodies import Bodies, bodies_of, fillings_of
from raysim.solvers.bass_kinds import Kinds
from raysim.solvers.bass_places import Fields, Places, joined_fields, places_of
from raysim.solvers.bass_surfaces import Patches, admittances_of, coefficients_note, patches_of
from raysim.theory.reverberation import sabine_time
from raysim.theory.transition import middle_decay_time
from raysim.waves.damped import Damped, damped_modes
from raysim.waves.elements import Elements, assemble, resurfaced
from raysim.waves.reduced import Reduced, reduce
from raysim.waves.tetrahedra import barycentric_in, tetrahedra_of
from raysim.waves.threads import at_once, one_thread
from raysim.waves.treated import Treated, treat

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Told = Callable[[str, float], None]

LOWEST_HZ, STEP_HZ, HIGHEST_HZ = 20.0, 1.0, 300.0
OVERLAP = 1.75  # of the Schroeder frequency
MODES_TO = 1.1  # of it
LEAST_HIGHEST_HZ = 150.0
LARGEST = 75.0 * 300.0**3  # m3 Hz3
FREE_FIELD = 40 * np.pi  # times the unit monopole's 1/(4 pi r) is 10/r
HALVINGS = 5
INSIDE = 1e-3
# Measured on x86-64, seconds of one core: a box of 149 m3 to 238 Hz, one variant.
UNKNOWNS, BASIS_S, MEMORY_GB = 30_000, 20.0, 1.2
MEASURED = 149.0 * 238.0**3
# Parts of the time of a first variant, measured in rooms of 33 to 480 m3.
MESH_PART, RESPONSE_PART = 0.4, 0.2
TIME_POWER, MEMORY_POWER = 1.7, 1.4


def upper_frequency_hz(scene: Scene, asked_hz: float | None = None) -> tuple[float, str]:
    """How high the bass goes, and why, in a sentence.

    Without being asked: 1.75 times the Schroeder frequency by Sabine's decay time, so that it
    overlaps the rays, between 150 and 300 Hz and no more than the room's size affords.

    Raises
    ------
    SettingsError
        More is asked than fits; with what it would cost.
    """
    fits = float(np.floor((LARGEST / scene.volume) ** (1 / 3)))
    if asked_hz is not None:
        if not asked_hz > LOWEST_HZ + STEP_HZ:
            raise SettingsError(f"bass: {asked_hz:g} Hz is too low; ask for more than 21 Hz")
        if asked_hz > fits:
            times = scene.volume * asked_hz**3 / MEASURED
            raise SettingsError(
                f"bass: up to {asked_hz:g} Hz this room of {scene.volume:.0f} m3 needs about "
                f"{UNKNOWNS * times:,.0f} unknowns, {MEMORY_GB * times**MEMORY_POWER:.0f} GB and "
                f"{BASIS_S * times**TIME_POWER / 60:.0f} minutes; up to {fits:.0f} Hz fits"
            )
        return float(np.floor(asked_hz)), f"{asked_hz:.0f} Hz, as asked"
    schroeder = schroeder_hz(scene)
    wanted = float(np.clip(OVERLAP * schroeder, LEAST_HIGHEST_HZ, HIGHEST_HZ))
    chosen = float(np.floor(min(wanted, fits)))
    why = (
        f"{chosen:.0f} Hz, {chosen / schroeder:.1f} times the Schroeder frequency of "
        f"{schroeder:.0f} Hz that Sabine's decay time gives"
    )
    return chosen, why + (" and as high as the room's size affords" if fits < wanted else "")


def schroeder_hz(scene: Scene) -> float:
    """Schroeder frequency by Sabine's decay time; 300 Hz where nothing absorbs."""
    times_s = sabine_time(
        scene.mesh.areas, scene.absorption, scene.volume, scene.climate.speed_of_sound
    )
    decay_s = middle_decay_time(times_s, scene.bands_hz)
    return float(2000 * np.sqrt(decay_s / scene.volume)) if np.isfinite(decay_s) else HIGHEST_HZ


@one_thread()
def compute_bass(
    scene: Scene,
    variants: Sequence[str] | None = None,
    highest_hz: float | None = None,
    told: Told = lambda _stage, _fraction: None,
) -> Bass:
    """Response of every variant, from 20 Hz in steps of 1 Hz, and its modes.

    Modes are given to 1.1 times the Schroeder frequency; above it more than three overlap, and
    none is heard by itself.

    A loudspeaker is a point of its volume velocity: what it sends at low frequency is the same in
    all directions, and its free field at 10 m on the axis is the reference. Time factor
    exp(j omega t): sound that comes later has the more negative phase.

    Parameters
    ----------
    scene : Scene
    variants : sequence of str, optional
        As for `run`.
    highest_hz : float, optional
        None chooses it (`upper_frequency_hz`).
    told : callable, optional
        Called with a stage in words and the fraction done.

    Raises
    ------
    SceneError
        Not closed, a source or receiver outside the air, a material without impedance.
    SettingsError
        More is asked than fits.
    SolverError
        No mesh or no modes.
    """
    highest, why = upper_frequency_hz(scene, highest_hz)
    frequencies = np.arange(LOWEST_HZ, highest + STEP_HZ / 2, STEP_HZ)
    bodies = bodies_of(scene, variants)
    groups = bodies.groups
    places = places_of(groups[0].scene)
    meshes = [group.scene.mesh_sha256 for group in groups]
    parts: dict[str, _Part] = {}
    for done, mesh in enumerate(dict.fromkeys(meshes)):
        base = None
        own = [n for n, one in enumerate(meshes) if one == mesh]
        for n in own:
            tell = partial(_told_part, told, done, len(set(meshes)))
            base = base_of(groups[n], frequencies, tell, base, bodies.of(own))
            parts |= _of_group(groups[n], base, bodies, places, frequencies, tell)
    each = [parts[name] for group in groups_of(scene, variants) for name in group.variants]
    return _joined(each, places, frequencies, f"computed up to {why}")


def _told_part(told: Told, number: int, count: int, stage: str, fraction: float) -> None:
    told(f"bass: {stage}", (number + fraction) / count)


@dataclass(frozen=True)
class _Part:
    """One variant."""

    zone: Complex
    fields: Fields
    modes: Damped
    at_receivers: Array
    at_sources: Array
    kinds: list[str]
    unknowns: int
    box_share: float
    notes: list[str]


@dataclass(frozen=True)
class Base:
    """What all variants of a group have in common."""

    patches: Patches
    reduced: Reduced
    treatments: tuple[int, ...]  # that are bodies of the mesh, in its order


def base_of(
    group: Group,
    frequencies: Array,
    told: Told = lambda _stage, _fraction: None,
    known: Base | None = None,
    treatments: tuple[int, ...] = (),
) -> Base:
    """Elements and modes, those of a group of the same geometry where known."""
    scene, highest = group.scene, float(frequencies[-1])
    patches = patches_of(group)
    if known is None:
        told("filling the room with tetrahedra", 0.0)
        corners = [scene.treatments[k].corners for k in treatments]
        elements = _elements(scene, patches, highest, corners)
    else:
        elements = resurfaced(known.reduced.elements, patches.at, patches.areas)
    told(f"finding modes, {elements.size:,} unknowns", MESH_PART / _parts(group))
    reduced = reduce(
        elements,
        scene.climate.speed_of_sound,
        highest,
        np.array([s.position for s in scene.sources]),
        [f"sources.{s.name}" for s in scene.sources],
        known.reduced.modes if known else None,
    )
    return Base(patches, reduced, treatments)


def _parts(group: Group) -> float:
    """Time of all variants in that of a first one."""
    return 1 + (len(group.variants) - 1) * RESPONSE_PART


def _elements(
    scene: Scene, patches: Patches, highest_hz: float, bodies: Sequence[Array] = ()
) -> Elements:
    wavelength = scene.climate.speed_of_sound / highest_hz
    inside = scene.receivers[0].position
    mesh = tetrahedra_of(
        scene.mesh.vertices, scene.mesh.triangles, inside, wavelength, scene.volume, bodies
    )
    return assemble(mesh, patches.at, patches.areas)


def _of_group(
    group: Group, base: Base, bodies: Bodies, places: Places, frequencies: Array, told: Told
) -> dict[str, _Part]:
    scene, patches, reduced = group.scene, base.patches, base.reduced
    elements = reduced.elements
    zones, notes = zones_of(scene, elements)
    notes = [*elements.mesh.notes, *notes]
    if said := coefficients_note(scene, np.unique(patches.materials).tolist()):
        notes.append(said)
    look = _Look(scene, reduced, zones, places)
    parts = {}
    for n, name in enumerate(group.variants):
        to_come = (len(group.variants) - n) * RESPONSE_PART / _parts(group)
        told(f"response of '{name}'", 1 - to_come)
        beta, assumed = admittances_of(patches, n, frequencies)
        filled = fillings_of(scene, bodies.filled.get(name, ()), base.treatments, frequencies)
        treated = treat(reduced, beta, frequencies, filled)
        numbers = [filling.body for filling in filled]
        parts[name] = look.at(treated, numbers, [*notes, *bodies.notes.get(name, []), *assumed])
    return parts


class _Look:
    """Where the field of every variant of a group is looked at."""

    def __init__(self, scene: Scene, reduced: Reduced, zones: Array, places: Places) -> None:
        self.elements, self.places = reduced.elements, places
        self.modes_to_hz = MODES_TO * schroeder_hz(scene)
        self.zone_shape = zones.shape[:2]
        self.owner = places.owners(self.elements)
        points = np.concatenate([zones.reshape(-1, 3), places.points[self.owner >= 0]])
        self.responses = self.elements.at(points)
        self.heads = len(scene.receivers)
        named = [r.position for r in scene.receivers] + [s.position for s in scene.sources]
        self.named = self.elements.at(np.array(named))
        self.kinds = Kinds(scene, reduced)
        size = np.ptp(self.elements.nodes, axis=0)
        self.box_share = float(self.elements.mesh.volume / size.prod())

    def at(self, treated: Treated, filled: Sequence[int], notes: list[str]) -> _Part:
        """All that is kept of a variant in which some bodies of the mesh are filled."""
        heads = self.zone_shape[0] * self.zone_shape[1]
        response, modes = at_once(
            lambda: FREE_FIELD * treated.response(self.responses),
            lambda: damped_modes(treated, self.modes_to_hz),
        )
        shapes = self.kinds.turned(modes.wavenumbers, modes.shapes)
        values = self._values(treated, shapes)
        known = self.owner >= 0
        there = known & ~self.elements.mesh.in_bodies(self.owner, filled)
        return _Part(
            response[:, :heads].reshape(len(response), *self.zone_shape, -1),
            self.places.fields(response[:, heads:][:, there[known]], there),
            modes,
            values[:, : self.heads],
            values[:, self.heads :],
            self.kinds.of(shapes),
            self.elements.size,
            self.box_share,
            notes,
        )

    def _values(self, treated: Treated, shapes: Complex) -> Array:
        """(modes, receivers and sources) where each mode is most real, mean square 1 in the room.

        A mode's sign is free; it is chosen here, or rounding would choose it.
        """
        turn = np.exp(-0.5j * np.angle((shapes**2).sum(axis=0)))
        values = treated.seen_at(self.named) @ (shapes * turn / np.linalg.norm(shapes, axis=0))
        real = values.real.T * np.sqrt(self.elements.mesh.volume)
        up = real @ np.arange(1.0, 1 + real.shape[1]) >= 0
        return np.asarray(np.where(up[:, None], real, -real))


def zones_of(scene: Scene, elements: Elements) -> tuple[Array, list[str]]:
    """(receivers, 9, 3) centre and corners of where each head moves, drawn in to the air."""
    corners = elements.mesh.points[elements.mesh.corners]
    signs = np.indices((2, 2, 2)).reshape(3, -1).T * 2.0 - 1.0
    zones, notes = [], []
    for receiver in scene.receivers:
        elements.at(receiver.position[None], [f"receivers.{receiver.name}"])
        offset = np.vstack([np.zeros(3), signs * receiver.zone])
        for halving in range(HALVINGS + 1):
            owner = barycentric_in(corners, receiver.position + offset, INSIDE)[0]
            outside = (owner < 0) | elements.mesh.in_bodies(owner, range(elements.mesh.bodies))
            if not outside.any():
                break
            offset[outside] *= 0.5 if halving < HALVINGS else 0.0
        if halving:
            notes.append(f"receivers.{receiver.name}: its zone is drawn in to stay in the air")
        zones.append(receiver.position + offset)
    return np.array(zones), notes


def _joined(parts: list[_Part], places: Places, frequencies: Array, first_note: str) -> Bass:
    notes = [first_note, *(note for part in parts for note in part.notes)]
    return Bass(
        frequency_hz=frequencies,
        zone=np.array([part.zone for part in parts]),
        mode_variant=np.repeat(np.arange(len(parts)), [len(part.kinds) for part in parts]),
        mode_frequency_hz=np.concatenate([part.modes.frequencies_hz for part in parts]),
        mode_decay_time_s=np.concatenate([part.modes.decay_times_s for part in parts]),
        mode_at_receivers=np.concatenate([part.at_receivers for part in parts]),
        mode_at_sources=np.concatenate([part.at_sources for part in parts]),
        mode_kind=tuple(kind for part in parts for kind in part.kinds),
        unknowns=np.array([part.unknowns for part in parts]),
        box_share=np.array([part.box_share for part in parts]),
        notes=tuple(dict.fromkeys(notes)),
        field=joined_fields(places, [part.fields for part in parts]),
    )
