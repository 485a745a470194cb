"""The reduced room against solving all unknowns, in the control room with its objects."""

from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import csc_array

from raysim.scene.read import load_scene
from raysim.scene.variants import groups_of
from raysim.solvers.bass import _elements
from raysim.solvers.bass_places import places_of
from raysim.solvers.bass_surfaces import patches_of
from raysim.surfaces.grammar import parse_layers
from raysim.waves.elements import resurfaced
from raysim.waves.factor import Factor, dissection
from raysim.waves.reduced import reduce
from raysim.waves.treated import treat
from tests.plain.all_unknowns import all_unknowns

SCENE = Path(__file__).parents[2] / "scenes" / "control_room.toml"
TO_HZ = 220.0  # up to here the mesh is as coarse as at lower frequencies
STRIP_M, HEIGHT_M = 0.4, 2.7
TREATED = ("light", "one porous", "corners", "all porous")
COMPARED = 12  # frequencies from 25 Hz to the highest, even over pitch


class Rooms:
    """The control room reduced, and the same with strips along its vertical edges as surface 1."""

    def __init__(self, to_hz):
        self.scene = load_scene(SCENE)
        [group] = groups_of(self.scene)
        elements = _elements(self.scene, patches_of(group), to_hz)
        sources = np.array([self.scene.sources[0].position])
        speed = self.scene.climate.speed_of_sound
        self.frequencies = np.arange(20.0, to_hz + 1)
        self.whole = reduce(elements, speed, to_hz, sources)
        edges = np.unique(np.round(places_of(self.scene).corners[:, :2], 3), axis=0)

        def surface_at(points, _triangle):
            away = np.linalg.norm(points[:, None, :2] - edges, axis=2).min(axis=1)
            return (away < STRIP_M).astype(int)

        strips = 2 * STRIP_M * HEIGHT_M * len(edges)
        split = resurfaced(elements, surface_at, np.array([self.scene.area - strips, strips]))
        self.corners = reduce(split, speed, to_hz, sources, modes=self.whole.modes)
        seat = self.scene.receivers[0].position
        self.places = seat + np.array(
            [[0, 0, 0], [0.5, 0, 0], [-0.5, 0.4, 0], [0, 0.6, 0.3], [0, -0.4, 0]]
        )

    def treated(self, treatment):
        """0.02 on all surfaces, and 100 mm of porous absorber where the treatment says."""
        reduced = self.corners if treatment == "corners" else self.whole
        surfaces = reduced.elements.surfaces
        beta = np.full((len(surfaces), len(self.frequencies)), 0.02 + 0j)
        largest = np.argsort([-surface.sum() for surface in surfaces])[:1]
        chosen = {"light": [], "one porous": largest, "corners": [1], "all porous": slice(None)}
        porous = parse_layers(["porous 100mm 10000"], "here").for_low_frequency()
        normal = porous.surface_admittance(self.frequencies, [1.0], self.scene.climate)[:, 0]
        beta[chosen[treatment]] = normal
        return treat(reduced, beta, self.frequencies)

    def off_db(self, treatment, frequencies):
        """(frequencies, places): levels in the reduced room less those of all unknowns."""
        treated = self.treated(treatment)
        observe = treated.reduced.elements.at(self.places)
        numbers = np.round(frequencies - self.frequencies[0]).astype(int)
        found = (treated.seen_at(observe) @ treated.solutions(numbers))[:, :, 0]
        exact = np.array([observe @ all_unknowns(treated, number) for number in numbers])
        return 20 * np.log10(np.abs(found / exact))


@pytest.fixture(scope="module")
def rooms():
    return Rooms(TO_HZ)


@pytest.mark.slow
@pytest.mark.parametrize("treatment", TREATED)
def test_reduced_against_all_unknowns(rooms, treatment):
    """0.3 dB rms at the seat and at four places in the room, over 12 frequencies from 25 Hz."""
    off = rooms.off_db(treatment, np.geomspace(25.0, TO_HZ, COMPARED))
    rms = np.sqrt(np.mean(off**2))
    assert rms < 0.3, (rms, np.abs(off).max())


@pytest.mark.slow
def test_iteration_gives_what_elimination_gives(rooms):
    """All unknowns at 70 Hz by the factors of the full matrix."""
    treated, number = rooms.treated("one porous"), 50
    elements = treated.reduced.elements
    k = treated.wavenumbers[number]
    full = csc_array(elements.stiffness - k * k * elements.mass, dtype=complex)
    weights = treated.weights_at(np.array([k]))[:, 0]
    for boundary, weight in zip(treated.boundaries, weights, strict=True):
        mass = boundary.mass.tocoo()
        at = (boundary.on[mass.row], boundary.on[mass.col])
        full = full + csc_array((weight * mass.data, at), shape=full.shape)
    factor = Factor(full, dissection(elements.pattern, elements.nodes))
    eliminated = factor.solve(treated.reduced.loads[:, 0])
    iterated = all_unknowns(treated, number)
    assert np.linalg.norm(iterated - eliminated) < 1e-6 * np.linalg.norm(eliminated)


@pytest.mark.slow
def test_the_difference_to_all_unknowns_can_be_seen(rooms):
    """Negative control: without the corrections at the surfaces it is more than 0.3 dB."""
    reduced = rooms.whole
    beta = np.full((len(reduced.elements.surfaces), len(rooms.frequencies)), 0.5 + 0j)
    treated = treat(reduced, beta, rooms.frequencies)
    few = reduced.shapes.shape[1]
    at = np.array([24, 50])
    solved = np.linalg.solve(
        treated.matrices(at)[:, :few, :few], (reduced.shapes.T @ reduced.loads) + 0j
    )
    observe = reduced.elements.at(rooms.places[:1])
    plain = (observe @ reduced.shapes @ solved)[:, 0, 0]
    corrected = (treated.seen_at(observe) @ treated.solutions(at))[:, 0, 0]
    assert np.abs(20 * np.log10(np.abs(plain / corrected))).max() > 0.3
