"""Mesh files: every format, unit and axis guessed and said, damaged files refused."""

import numpy as np
import pytest
import trimesh

from raysim.errors import SceneError
from raysim.scene.guesses import guess_unit, guess_up
from raysim.scene.heal import heal
from raysim.scene.imported import SUFFIXES, read_mesh
from tests.meshes import ATTIC_M3, area_of, attic, box, geometry, volume_of
from tests.unit.test_heal import dirty_attic

ATTIC = geometry(attic())
Y_UP = np.array([[1, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1.0]])


def body(given=ATTIC, scale=1.0, y_up=False):
    mesh = trimesh.Trimesh(given.vertices * scale, given.triangles, process=False)
    if y_up:
        mesh.apply_transform(Y_UP)
    return mesh


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_every_format_gives_the_same_room(suffix, tmp_path):
    gltf = suffix in (".glb", ".gltf")
    path = tmp_path / f"attic{suffix}"
    body(scale=1.0 if gltf else 1000.0, y_up=gltf).export(path)
    room = heal(read_mesh(path))
    single = 5e-7  # coordinates of 6 m in single precision: relative 6e-8, three of them
    assert volume_of(room) == pytest.approx(ATTIC_M3, rel=single)
    assert area_of(room) == pytest.approx(area_of(ATTIC), rel=single)
    np.testing.assert_allclose(room.vertices.max(axis=0), (4.2, 6.0, 2.5), rtol=single)
    assert ("in m" if gltf else "in mm") in room.notes[0]


def test_ascii_stl(tmp_path):
    path = tmp_path / "attic.stl"
    body().export(path, file_type="stl_ascii")
    assert volume_of(heal(read_mesh(path))) == pytest.approx(ATTIC_M3)


def test_a_dirty_attic_in_mm_with_y_up(tmp_path):
    path = tmp_path / "attic.stl"
    body(dirty_attic(), 1000.0, y_up=True).export(path)
    room = heal(read_mesh(path))
    assert volume_of(room) == pytest.approx(ATTIC_M3, rel=1e-3)
    said = " | ".join(room.notes)
    assert "read in mm: 4.20 x 2.50 x 6.00 m (in m the room would be 6 km long)" in said
    assert "y is up, by height and level faces (its point (x, y, z) is (x, -z, y) here)" in said
    assert "closed a hole near" in said
    assert "duplicate triangles" in said
    assert "to face the air" in said


def test_glb_nodes_are_put_in_place_and_name_the_surfaces(tmp_path):
    scene = trimesh.Scene()
    for k, name in enumerate(ATTIC.names):
        part = trimesh.Trimesh(ATTIC.vertices, ATTIC.triangles[ATTIC.group == k], process=False)
        part.apply_transform(Y_UP)
        shift = trimesh.transformations.translation_matrix((k, 2 * k, -k))
        part.apply_transform(np.linalg.inv(shift))
        scene.add_geometry(part, node_name=name, transform=shift)
    scene.export(tmp_path / "attic.glb")
    room = heal(read_mesh(tmp_path / "attic.glb"))
    assert set(room.names) == set(ATTIC.names)
    assert volume_of(room) == pytest.approx(ATTIC_M3, rel=1e-6)
    floor = room.vertices[room.triangles[room.group == room.names.index("floor")]]
    assert np.abs(floor[..., 2]).max() < 1e-5


OBJ = """# a comment
o Room
g floor extra
usemtl carpet
v 0 0 0
v 2 0 0
v 2 2 0
v 1 1 0
v 0 2 0
f 1/1/1 2/2/2 3/3/3 4 5
g lid
f -5 -2 -3
f -5 -1 \\
-2
"""


def test_obj_keeps_groups_and_cuts_concave_polygons(tmp_path):
    (tmp_path / "part.obj").write_text(OBJ)
    part = read_mesh(tmp_path / "part.obj", unit="m", up="z")
    assert part.names == ("floor", "lid")
    assert part.group.tolist() == [0, 0, 0, 1, 1]
    floor = part.vertices[part.triangles[:3]]
    normal = np.cross(floor[:, 1] - floor[:, 0], floor[:, 2] - floor[:, 0])[:, 2]
    assert (normal > 0).all()
    assert normal.sum() / 2 == pytest.approx(3.0)
    assert part.notes == ()


def test_obj_takes_materials_where_they_tell_more(tmp_path):
    text = OBJ.replace("g floor extra", "g all").replace("g lid", "usemtl wood")
    (tmp_path / "part.obj").write_text(text)
    assert read_mesh(tmp_path / "part.obj", unit="m", up="z").names == ("carpet", "wood")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("v 2 2 0", "v 2 2,5 0"), "line 7: 'v 2 2,5 0' holds '2,5' where a number should be"),
        (("v 2 2 0", "v 2 2"), "line 7: .* has fewer than three coordinates"),
        (("f -5 -2 -3", "f 1 2 9"), "names vertex 9, but there are 5 so far"),
        (("f -5 -2 -3", "f 1 2"), "has fewer than three corners"),
        (("v 2 2 0", "v 2 nan 0"), "1 of 5 vertices are not finite numbers, the first is number 3"),
    ],
)
def test_obj_lines_that_cannot_be_read(change, message, tmp_path):
    (tmp_path / "part.obj").write_text(OBJ.replace(*change))
    with pytest.raises(SceneError, match=f"part.obj:? {message}" if "line" in message else message):
        read_mesh(tmp_path / "part.obj")


GARBAGE = {
    "random": bytes(np.random.default_rng(5).integers(0, 256, 4000, dtype=np.uint8)),
    "text": b"hello, this is no mesh\n" * 20,
    "zeros": b"\0" * 400,
    "header": b" " * 80 + b"\3\0\0\0" + b"\xff" * 150,
}


@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize("kind", GARBAGE)
def test_garbage_is_refused_in_one_sentence(suffix, kind, tmp_path):
    path = tmp_path / f"room{suffix}"
    path.write_bytes(GARBAGE[kind])
    with pytest.raises(SceneError) as caught:
        read_mesh(path)
    assert str(caught.value).startswith("room.")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_file_cut_short_is_refused(suffix, tmp_path):
    whole = tmp_path / f"whole{suffix}"
    body().export(whole)
    path = tmp_path / f"room{suffix}"
    path.write_bytes(whole.read_bytes()[: whole.stat().st_size * 2 // 3])
    with pytest.raises(SceneError):
        heal(read_mesh(path))


def test_empty_missing_and_other_files(tmp_path):
    (tmp_path / "room.stl").write_bytes(b"")
    with pytest.raises(SceneError, match=r"room.stl: the file is empty"):
        read_mesh(tmp_path / "room.stl")
    with pytest.raises(SceneError, match="no such file"):
        read_mesh(tmp_path / "none.stl")
    with pytest.raises(SceneError, match=r"meshes of type '.txt' are not read.*OBJ, STL"):
        read_mesh(tmp_path / "room.txt")


def test_vertices_that_are_not_numbers(tmp_path):
    wrong = body()
    wrong.vertices[3, 1] = np.nan
    wrong.export(tmp_path / "room.stl")
    with pytest.raises(SceneError, match="not finite numbers"):
        read_mesh(tmp_path / "room.stl")


@pytest.mark.parametrize(
    ("extent", "unit"),
    [
        ((4.2, 6.0, 2.5), "m"),
        ((4200, 6000, 2500), "mm"),
        ((420, 600, 250), "cm"),
        ((165, 236, 98), "in"),
        ((13.8, 19.7, 8.2), "ft"),
        ((1.6, 1.9, 2.3), "m"),
        ((1600, 1900, 2300), "mm"),
        ((6.5, 9.0, 3.4), "m"),
    ],
)
def test_units_of_small_rooms(extent, unit):
    assert guess_unit("room.stl", np.array(extent, dtype=float))[0] == unit


def test_a_size_that_is_a_room_in_no_unit():
    with pytest.raises(SceneError, match=r"in none of m, mm, cm, in, ft.*give room.unit"):
        guess_unit("room.stl", np.array([1e7, 1e7, 2e6]))


def test_a_unit_stated_by_the_format_is_not_believed_when_it_makes_no_room():
    assert guess_unit("room.glb", np.array([4200.0, 6000, 2500]), "m")[0] == "mm"


def test_up_is_guessed_by_level_faces_and_decided_by_names():
    corners = ATTIC.vertices[ATTIC.triangles]
    assert guess_up(corners, ATTIC.group, ATTIC.names)[0] == "z"
    turned = corners[..., [0, 2, 1]]
    assert guess_up(turned, ATTIC.group, ATTIC.names)[0] == "y"
    cube = geometry(box((0, 0, 0), (3, 3, 3)))
    corners = cube.vertices[cube.triangles]
    assert "y would fit as well" in guess_up(corners, cube.group, ("a",) * 6)[1]
    for axis, order in (("x", [2, 0, 1]), ("y", [1, 2, 0]), ("z", [0, 1, 2])):
        assert guess_up(corners[..., order], cube.group, cube.names)[0] == axis


@pytest.mark.parametrize(("up", "order"), [("x", [2, 0, 1]), ("y", [1, 2, 0]), ("z", [0, 1, 2])])
def test_up_can_be_given(up, order, tmp_path):
    path = tmp_path / "attic.ply"
    trimesh.Trimesh(ATTIC.vertices[:, order], ATTIC.triangles, process=False).export(path)
    room = heal(read_mesh(path, unit="m", up=up))
    assert np.ptp(room.vertices[:, 2]) == pytest.approx(2.5)
    assert volume_of(room) == pytest.approx(ATTIC_M3)
    assert room.notes == ()
