"""Scene files with meshes: the room's, or a thing's."""

from pathlib import Path

import pytest
import trimesh

from raysim.errors import SceneError
from raysim.scene.read import load_scene

PLACES = (
    "[sources.left]\nposition = [1.1, 0.6, 1.2]\n[receivers.seat]\nposition = [1.7, 1.64, 1.2]\n"
)


@pytest.fixture
def load(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    room = trimesh.creation.box(extents=(3400, 4200, 2400))
    room.apply_translation((1700, 2100, 1200))
    room.export("room.stl")
    thing = trimesh.creation.box(extents=(50, 60, 70))
    thing.apply_translation((200, 300, 100))
    thing.export("thing.ply")

    def load(text):
        Path("room.toml").write_text(text + PLACES)
        return load_scene("room.toml")

    return load


def complaints(load, text):
    with pytest.raises(SceneError) as error:
        load(text)
    return error.value.complaints


def test_a_mesh_room_with_a_thing_on_its_floor(load):
    text = '[room]\nmesh = "room.stl"\n[objects.rack]\nbox = [[2, 3, 0], [2.5, 4, 0.7]]\n'
    scene = load(text)
    # STL is single precision: 1e-7 of 3.4 m
    assert scene.volume == pytest.approx(3.4 * 4.2 * 2.4 - 0.35, rel=1e-6)
    assert scene.handedness == 1
    assert {s.name: s.owner for s in scene.surfaces}["rack"] == "rack"
    assert any("in mm" in note for note in scene.notes)
    (sentence,) = complaints(load, text.replace("[[2, 3, 0]", "[[1, 1.5, 1]").replace("0.7", "2"))
    assert "lies inside 'rack'" in sentence


@pytest.mark.parametrize("room", ["size = [4.2, 3.4, 2.4]", 'mesh = "room.stl"'])
def test_a_thing_as_a_mesh(load, room):
    text = f'[room]\n{room}\n[objects.thing]\nmesh = "thing.ply"\nunit = "cm"\nup = "z"\n'
    scene = load(text + 'material = "upholstered sofa"\n')
    assert scene.volume == pytest.approx(3.4 * 4.2 * 2.4 - 0.5 * 0.6 * 0.7, rel=1e-6)
    (surface,) = [s for s in scene.surfaces if s.owner == "thing"]
    assert scene.materials[surface.material].name == "upholstered sofa"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            '[room]\nmesh = "room.stl"\nunit = "m"\n',
            "room.toml line 2: room.mesh: the room would be 3400 x 4200 x 2400 m; "
            'did you mean mm? give unit = "mm" (then 3.40 x 4.20 x 2.40 m)',
        ),
        (
            "[room]\nsize = [4.2, 3.4, 2.4]\n[objects.thing]\nmesh = 'none.ply'\nunit = 'm'\n",
            "room.toml line 4: objects.thing.mesh: none.ply does not exist; "
            "give the mesh file's path from the scene file",
        ),
        (
            "[room]\nsize = [4.2, 3.4, 2.4]\n[objects.thing]\nmesh = 'thing.ply'\n",
            "room.toml line 3: objects.thing: give its place as 'box' [[x, y, z], [x, y, z]], or "
            "'at' and 'size', or 'prism' and 'z', or 'mesh' and 'unit'",
        ),
        (
            "[room]\nmesh = 'room.stl'\n[objects.far]\nbox = [[7, 7, 0], [8, 8, 1]]\n",
            "room.toml line 3: objects.far: it lies wholly outside the room; "
            "check its position and unit",
        ),
        (
            "[room]\nmesh = 'room.stl'\n[objects.all]\nbox = [[-2, -2, -2], [8, 8, 8]]\n",
            "room.toml line 2: room.mesh: a thing is larger than the room around it; "
            "check the units of its mesh",
        ),
        (
            "[room]\nmesh = 'room.stl'\n[patches.w]\non = 'mesh'\nat = [0, 0]\nsize = [1, 1]\n"
            "material = 'window glass'\n",
            "room.toml line 3: patches.w: patches are cut into tape-measured rooms only; "
            "in a mesh, name those triangles as a group of their own",
        ),
        (
            "[room]\nsize = [4.2, 3.4, 2.4]\nunit = 'mm'\n",
            "room.toml line 3: room.unit: it says nothing beside 'size'; take it out",
        ),
        (
            "[room]\nsize = [4.2, 3.4, 2.4]\n[surfaces]\n'*t' = 'brick'\n'l*' = 'concrete floor'\n",
            "room.toml line 5: surfaces.l*: 'left' is also matched by '*t'; "
            "name 'left' on its own line",
        ),
        (
            "[room]\nsize = [4.2, 3.4, 2.4]\n[patches.left]\non = 'left'\nat = [0, 0]\n"
            "size = [1, 1]\nmaterial = 'brick'\n",
            "room.toml line 3: patches.left: 'left' names a surface already; choose another",
        ),
    ],
)
def test_a_fault_is_one_sentence(load, text, sentence):
    assert complaints(load, text) == [sentence]
