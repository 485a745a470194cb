"""The reduced room against solving all unknowns, in the control room with its objects."""

from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import csc_array
from scipy.sparse.linalg import splu

from raysim.scene.read import load_scene
from raysim.scene.variants import groups_of
from raysim.solvers.bass import _elements
from raysim.solvers.bass_surfaces import patches_of
from raysim.surfaces.grammar import parse_layers
from raysim.waves.reduced import reduce
from raysim.waves.treated import treat

SCENE = Path(__file__).parents[2] / "scenes" / "control_room.toml"
TO_HZ = 100.0


@pytest.fixture(scope="module")
def room():
    scene = load_scene(SCENE)
    [group] = groups_of(scene)
    elements = _elements(scene, patches_of(group), TO_HZ)
    sources = np.array([scene.sources[0].position])
    speed = scene.climate.speed_of_sound
    return scene, elements, reduce(elements, speed, TO_HZ, sources)


@pytest.mark.slow
@pytest.mark.parametrize("treated", ["light", "one porous", "all porous"])
def test_reduced_against_direct(room, treated):
    """0.3 dB rms at the seat and at four places in the room, 30 to 100 Hz."""
    scene, elements, reduced = room
    frequencies = np.arange(20.0, TO_HZ + 1, 2.0)
    porous = parse_layers(["porous 100mm 10000"], "here").for_low_frequency()
    beta = np.full((len(elements.surfaces), len(frequencies)), 0.02 + 0j)
    largest_first = np.argsort([-surface.sum() for surface in elements.surfaces])
    soft = largest_first[: {"light": 0, "one porous": 1, "all porous": len(beta)}[treated]]
    beta[soft] = porous.surface_admittance(frequencies, [1.0], scene.climate)[:, 0]
    seat = scene.receivers[0].position
    places = seat + np.array([[0, 0, 0], [0.5, 0, 0], [-0.5, 0.4, 0], [0, 0.6, 0.3], [0, -0.4, 0]])
    found = treat(reduced, beta, frequencies).response(places)[0].T
    observe, load = elements.at(places), elements.at(np.array([scene.sources[0].position]))
    off = []
    for i in range(5, len(frequencies), 9):
        k = 2 * np.pi * frequencies[i] / scene.climate.speed_of_sound
        boundary = sum(b * s for b, s in zip(beta[:, i], elements.surfaces, strict=True))
        full = elements.stiffness + 1j * k * boundary - k * k * elements.mass
        direct = observe @ splu(csc_array(full)).solve(load.toarray()[0].astype(complex))
        off.append(20 * np.log10(np.abs(found[i] / direct)))
    rms = np.sqrt(np.mean(np.square(off)))
    assert rms < 0.3, rms
