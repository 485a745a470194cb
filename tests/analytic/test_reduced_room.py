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

SCENE = Path(__file__).parents[2] / "scenes" / "control_room.toml"
TO_HZ = 80.0
STRIP_M, HEIGHT_M = 0.4, 2.7
FREQUENCIES = np.arange(20.0, TO_HZ + 1, 2.0)
COMPARED = {"light": (25,), "one porous": (25,), "corners": (12, 29), "all porous": (25,)}


@pytest.fixture(scope="module")
def room():
    """The control room reduced, and the same with strips along its vertical edges as surface 1."""
    scene = load_scene(SCENE)
    [group] = groups_of(scene)
    elements = _elements(scene, patches_of(group), TO_HZ)
    sources = np.array([scene.sources[0].position])
    speed = scene.climate.speed_of_sound
    whole = reduce(elements, speed, TO_HZ, sources)
    edges = np.unique(np.round(places_of(scene).corners[:, :2], 3), axis=0)

    def surface_at(points, _triangle):
        away = np.linalg.norm(points[:, None, :2] - edges, axis=2).min(axis=1)
        return (away < STRIP_M).astype(int)

    strips = 2 * STRIP_M * HEIGHT_M * len(edges)
    split = resurfaced(elements, surface_at, np.array([scene.area - strips, strips]))
    corners = reduce(split, speed, TO_HZ, sources, modes=whole.modes)
    return scene, {"whole": whole, "corners": corners}


def direct(reduced, beta, number, observe):
    """Pressures at places (places, n) by elimination of all unknowns; one frequency."""
    elements = reduced.elements
    k = 2 * np.pi * FREQUENCIES[number] / reduced.speed
    boundary = sum(b * s for b, s in zip(beta[:, number], elements.surfaces, strict=True))
    full = csc_array(elements.stiffness + 1j * k * boundary - k * k * elements.mass)
    factor = Factor(full, dissection(elements.pattern, elements.nodes))
    assert factor.residual < 1e-7
    return observe @ factor.solve(reduced.loads[:, 0])


@pytest.mark.slow
@pytest.mark.parametrize("treated", COMPARED)
def test_reduced_against_direct(room, treated):
    """0.3 dB rms at the seat and at four places in the room, at 70 Hz, or 44 and 78 Hz."""
    scene, rooms = room
    reduced = rooms["corners" if treated == "corners" else "whole"]
    elements = reduced.elements
    porous = parse_layers(["porous 100mm 10000"], "here").for_low_frequency()
    beta = np.full((len(elements.surfaces), len(FREQUENCIES)), 0.02 + 0j)
    largest_first = np.argsort([-surface.sum() for surface in elements.surfaces])
    soft = {"light": [], "one porous": largest_first[:1], "corners": [1]}.get(treated, slice(None))
    beta[soft] = porous.surface_admittance(FREQUENCIES, [1.0], scene.climate)[:, 0]
    seat = scene.receivers[0].position
    places = seat + np.array([[0, 0, 0], [0.5, 0, 0], [-0.5, 0.4, 0], [0, 0.6, 0.3], [0, -0.4, 0]])
    found = treat(reduced, beta, FREQUENCIES).response(places)[0].T
    observe = elements.at(places)
    numbers = list(COMPARED[treated])
    exact = np.array([direct(reduced, beta, number, observe) for number in numbers])
    off = 20 * np.log10(np.abs(found[numbers] / exact))
    rms = np.sqrt(np.mean(off**2))
    assert rms < 0.3, rms


@pytest.mark.slow
def test_the_difference_to_the_direct_solution_can_be_seen(room):
    """Negative control: without the corrections at the surfaces it is more than 0.3 dB."""
    scene, rooms = room
    reduced = rooms["whole"]
    beta = np.full((len(reduced.elements.surfaces), len(FREQUENCIES)), 0.5 + 0j)
    treated = treat(reduced, beta, FREQUENCIES)
    few = reduced.shapes.shape[1]
    at = [12, 25]
    solved = np.linalg.solve(
        treated.matrices(np.array(at))[:, :few, :few], (reduced.shapes.T @ reduced.loads) + 0j
    )
    observe = reduced.elements.at(np.array([scene.receivers[0].position]))
    plain = (observe @ reduced.shapes @ solved)[:, 0, 0]
    corrected = (treated.seen_at(observe) @ treated.solutions(np.array(at)))[:, 0, 0]
    assert np.abs(20 * np.log10(np.abs(plain / corrected))).max() > 0.3
