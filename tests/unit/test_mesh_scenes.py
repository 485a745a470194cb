"""The shipped mesh scenes: made again to the byte, healed already, sensibly laid out."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from raysim.scene.heal import heal
from raysim.scene.imported import read_mesh
from raysim.scene.inside import locate, nearest_surface
from raysim.scene.read import load_scene

SCENES = Path(__file__).parents[2] / "scenes"


@pytest.mark.parametrize("name", ["control_room", "vault"])
def test_scripts_make_the_shipped_meshes_again(name, tmp_path):
    subprocess.run(
        [sys.executable, str(SCENES / f"make_{name}.py"), str(tmp_path)],
        check=True,
        timeout=120,
        env={**os.environ, "PYTHONPATH": str(SCENES.parent)},
    )
    assert (tmp_path / f"{name}.obj").read_bytes() == (SCENES / f"{name}.obj").read_bytes()


@pytest.mark.parametrize("name", ["control_room", "vault"])
def test_shipped_meshes_need_no_repair(name):
    read = read_mesh(SCENES / f"{name}.obj", unit="m", up="z")
    room = heal(read)
    assert len(room.triangles) == len(read.triangles)
    assert all("read as objects" in note for note in room.notes)
    assert read_mesh(SCENES / f"{name}.obj").notes[0].startswith(f"{name}.obj: read in m:")


def test_control_room():
    scene = load_scene(SCENES / "control_room.toml")
    assert 60 < scene.volume < 70
    assert 80 <= len(scene.mesh.triangles) <= 220
    assert len({tuple(np.round(f.normal, 3)) for f in scene.facets}) > 12
    left, right = scene.sources
    np.testing.assert_allclose(left.position, right.position * (-1, 1, 1))
    (seat,) = scene.receivers
    assert seat.position[0] == 0
    for source in scene.sources:
        along = np.linspace(source.position, seat.position, 200)
        assert set(locate(scene, along)) == {"air"}
        assert nearest_surface(scene.mesh, along)[0].min() > 0.15
    assert {s.owner for s in scene.surfaces} == {"room", "desk", "rack_left", "rack_right", "sofa"}
    assert scene.right_of(scene.front)[0] == pytest.approx(1.0)
    # walls are symmetric about x = 0 but for the door
    walls = {f.name: f for f in scene.facets}
    assert walls["left_wall 1"].area == pytest.approx(walls["right_wall 1"].area, rel=1e-6)


@pytest.fixture(scope="module")
def vault():
    return load_scene(SCENES / "vault.toml")


def test_vault(vault):
    assert len(vault.mesh.triangles) > 20_000
    assert 100 < vault.volume < 150
    assert (SCENES / "vault.obj").stat().st_size < 3_000_000
    assert set(locate(vault, np.array([s.position for s in vault.sources]))) == {"air"}


def test_volume_of_the_vault_against_its_formula(vault):
    """Plan under the parabola times the spring, and the rise averaged over the curved plan."""
    half, length, bulge, spring, rise = 3.0, 6.0, 0.8, 2.7, 0.8
    plan = 2 * half * (length + bulge * 2 / 3)
    # the integral over s of (1 - s^2)(length + bulge (1 - s^2)), s from -1 to 1
    crown = half * (length * 4 / 3 + bulge * 16 / 15) * rise * 2 / np.pi
    # chords of 1/104 of the width and 1/80 of the length: relative 1/(6 n^2) of the curved parts
    assert vault.volume == pytest.approx(plan * spring + crown, rel=1e-4)
