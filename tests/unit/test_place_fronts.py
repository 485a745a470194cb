"""Walls that may be the front, and layouts before them."""

import trimesh

from raysim.place.layouts import layout
from raysim.place.rooms import fronts_of
from raysim.scene.read import load_scene

ROOM = """\
[room]
mesh = "room.stl"
[sources.a]
position = [-0.5, -2.0, 0.0]
[receivers.b]
position = [0.5, 0.0, 0.0]
"""


def fronts(folder):
    trimesh.creation.box((3.4, 6.0, 2.4)).export(folder / "room.stl")
    (folder / "room.toml").write_text(ROOM)
    return fronts_of(load_scene(folder / "room.toml"), 0.0)


def test_fronts_of_one_surface_have_names_of_their_own(tmp_path):
    names = [front.name for front in fronts(tmp_path)]
    assert len(names) == len(set(names)) == 4


def test_layouts_alike_can_be_sought_in_a_list(tmp_path):
    """Common practice on a grid point: equal lengths, and places that no `==` decides."""
    front = fronts(tmp_path)[0]
    one, other = (layout(front, 0.6, 1.2, 2.0, 0.0, 0.0) for _ in range(2))
    assert one in [other, one]
    assert one not in [other]
