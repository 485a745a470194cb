"""Which treatments are volumes for the bass, what fills them, and what comes out."""

import numpy as np
import pytest

from raysim.air import Climate
from raysim.solvers.bass import compute_bass
from raysim.solvers.bass_bodies import bodies_of, fillings_of, thickness_of
from raysim.surfaces.filling import facing_admittance, porous_filling
from raysim.surfaces.grammar import parse_layers
from raysim.waves.hulls import body_at, hulls_of
from raysim.waves.tetrahedra import tetrahedra_of
from tests.rooms import shoebox
from tests.treated import bedroom

TRAPS = """
[treatments.{name}]
kind = "corner trap"
on = ["front", "left"]
size = "50cm"
{made}
[variants.{name}]
treatments = ["{name}"{more}]
"""
LAYERS = 'layers = ["{}"]'


def trap(name, *layers, more=""):
    return TRAPS.format(name=name, made=LAYERS.format('", "'.join(layers)), more=more)


BLOCK = """
[treatments.block]
kind = "screen"
at = [2.6, 2.2, 0.0]
size = [0.5, 0.3, 1.0]
material = "wooden desk"
thickness = "30cm"
"""


@pytest.mark.parametrize(
    ("layers", "why"),
    [
        (["porous 200mm 10000"], ""),
        (["fabric 200", "porous 100mm 10000", "porous 100mm 10000"], ""),
        (["membrane 1kg/m2", "porous 100mm 10000"], ""),
        (["membrane 1kg/m2", "gap 100mm"], "nothing in it is porous"),
        (["porous 50mm 10000", "gap 100mm"], "air behind or between"),
        (["porous 50mm 10000", "porous 50mm 20000"], "several porous stuffs"),
        (["porous 50mm 10000", "fabric 200", "porous 50mm 10000"], "a sheet behind or between"),
    ],
)
def test_what_can_fill_a_body(layers, why):
    porous, said = porous_filling(parse_layers(layers, "here"))
    assert (porous is not None) == (why == "")
    assert why in said


def test_facing_is_velocity_over_difference_of_pressure():
    air, f = Climate().air, np.array([50.0, 100.0])
    cloth = parse_layers(["fabric 200", "porous 100mm 10000"], "here")
    assert facing_admittance(cloth, f, air) == pytest.approx(air.impedance / 200)
    film = parse_layers(["membrane 1kg/m2", "fabric 100", "porous 100mm 10000"], "here")
    mass = 2j * np.pi * f
    found = air.impedance / facing_admittance(film, f, air)
    assert found.imag == pytest.approx(mass.imag, rel=0.05)
    assert (found.real >= 100).all()
    assert facing_admittance(parse_layers(["porous 100mm 10000"], "here"), f, air) is None


def test_which_treatments_are_volumes(tmp_path):
    """A trap of wool is one and shares the room's group; a hollow one isn't, nor beside a block."""
    scene = bedroom(
        tmp_path,
        trap("full", "fabric 200", "porous 300mm 9000")
        + trap("hollow", "porous 100mm 9000", "gap 200mm")
        + BLOCK
        + trap("both", "porous 300mm 9000", more=', "block"'),
    )
    bodies = bodies_of(scene, None)
    assert [scene.treatments[k].name for k in bodies.filled["full"]] == ["full"]
    assert "hollow" not in bodies.filled
    assert "both" not in bodies.filled
    assert bodies.groups[0].variants == ("base", "full")
    assert bodies.groups[0].scene.mesh_sha256 == scene.mesh_sha256
    assert "full filled with porous stuff" in bodies.notes["full"][0]
    assert "air behind or between its layers" in bodies.notes["hollow"][0]
    assert "block: its material has coefficients only" in bodies.notes["both"][0]
    assert bodies.notes["base"] == []
    [filling] = fillings_of(scene, bodies.filled["full"], bodies.of([0]), np.array([50.0, 100.0]))
    assert filling.body == 0
    assert (np.abs(filling.lightness) < 0.3).all()  # heavy: 9000/(2 pi f 1.2)
    assert (filling.softness.real > 1.2).all()  # isothermal: 1.4


def test_thickness_is_the_least_width():
    box = np.indices((2, 2, 2)).reshape(3, -1).T * np.array([2.0, 0.1, 1.0])
    assert thickness_of(box) == pytest.approx(0.1)


@pytest.mark.slow
def test_bodies_are_regions_of_the_mesh():
    """A trap 5 mm off two walls and the floor reaches them; a free block keeps its size: 1 %."""
    corner = np.array([0.005, 0.005, 0.005])
    trap = corner + np.array(
        [[0, 0, 0], [0.5, 0, 0], [0, 0.5, 0], [0, 0, 1.2], [0.5, 0, 1.2], [0, 0.5, 1.2]]
    )
    block = np.array([1.0, 0.8, 0.6]) + np.indices((2, 2, 2)).reshape(3, -1).T * 0.3
    scene = shoebox((2.0, 1.5, 1.8), receivers=((0.7, 1.5, 1.2),))
    mesh = scene.mesh
    made = tetrahedra_of(
        mesh.vertices, mesh.triangles, scene.receivers[0].position, 2.5, scene.volume, [trap, block]
    )
    each = made.points[made.corners]
    volumes = np.abs(np.linalg.det(each[:, 1:] - each[:, :1])) / 6
    found = np.bincount(made.body + 1, volumes)
    assert found[1] == pytest.approx(1.205 * 0.51**2 / 2, rel=1e-2)
    assert found[2] == pytest.approx(0.027, rel=1e-2)
    assert found.sum() == pytest.approx(scene.volume, rel=1e-3)
    assert any("slits of up to 5 mm behind absorbers are filled" in note for note in made.notes)


def test_hulls_reach_walls_and_nothing_else():
    walls = shoebox((2.0, 1.5, 1.8)).mesh.corners
    box = np.array([0.01, 0.5, 0.5]) + np.indices((2, 2, 2)).reshape(3, -1).T * 0.4
    [hull], slit = hulls_of([box], walls)
    assert slit == pytest.approx(0.01)
    assert hull.reshape(-1, 3).min(axis=0) == pytest.approx([0.0, 0.5, 0.5])
    assert hull.reshape(-1, 3).max(axis=0) == pytest.approx([0.41, 0.9, 0.9])
    points = np.array([[0.005, 0.7, 0.7], [0.405, 0.7, 0.7], [0.42, 0.7, 0.7], [0.2, 0.95, 0.7]])
    assert body_at(points, [hull]).tolist() == [0, 0, -1, -1]


CLOSET = """
title = "Invented closet"
[room]
size = [2.6, 2.1, 2.2]
[surfaces]
"*" = "gypsum board 13 mm on studs"
[sources.one]
position = [1.5, 1.6, 0.6]
[receivers.seat]
position = [0.9, 0.5, 1.1]
"""


@pytest.mark.slow
def test_a_trap_in_a_room(tmp_path):
    """One mesh; its corner isn't heard any more, and no mode rings longer than without it."""
    more = trap("full", "fabric 200", "porous 300mm 9000")
    bass = compute_bass(bedroom(tmp_path, more, CLOSET), highest_hz=110.0)
    assert bass.unknowns[0] == bass.unknowns[1]
    silent = np.isnan(bass.field.corner.real).any(axis=(1, 3))
    assert silent[0].sum() == 0
    assert silent[1].sum() == 2
    assert np.isfinite(bass.zone).all()
    times = [bass.mode_decay_time_s[bass.mode_variant == v] for v in (0, 1)]
    count = min(map(len, times))
    assert (times[1][:count] < times[0][:count] * 1.001).all()
    assert (times[1][:count] < times[0][:count] * 0.97).any()
