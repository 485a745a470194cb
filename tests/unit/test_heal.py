"""Spoilt meshes: what is repaired, what is said about it, what is refused."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from raysim.errors import SceneError
from raysim.scene.facets import find_facets
from raysim.scene.geometry import Geometry
from raysim.scene.heal import heal
from tests.meshes import (
    ATTIC_M3,
    area_of,
    attic,
    box,
    geometry,
    numbered,
    refined,
    turned_out,
    volume_of,
)

ROOM = box((0, 0, 0), (4, 5, 2.5))
FRONT = np.array([0.0, 1.0, 0.0])


def merged(faces):
    return [face for group in faces.values() for face in group]


def same(one: Geometry, two: Geometry) -> bool:
    arrays = ("vertices", "triangles", "group", "sheet")
    return all(np.array_equal(getattr(one, k), getattr(two, k)) for k in arrays) and (
        (one.names, one.owners, one.notes) == (two.names, two.owners, two.notes)
    )


def is_closed(given: Geometry) -> bool:
    """Every directed edge is met by as many of the opposite direction."""
    t = given.triangles
    directed = np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]])
    forward = directed[:, 0] < directed[:, 1]
    _, number = np.unique(np.sort(directed, axis=1), axis=0, return_inverse=True)
    return bool((np.bincount(number.ravel(), np.where(forward, 1, -1)) == 0).all())


def dirty_attic(seed: int = 7) -> Geometry:
    """The attic finely cut, 3 % of the faces flipped, two duplicated walls, a 40 mm hole."""
    draw = np.random.default_rng(seed)
    clean = heal(refined(geometry(attic()), 3))
    triangles, group = clean.triangles.copy(), clean.group.copy()
    flipped = draw.choice(len(triangles), round(0.03 * len(triangles)), replace=False)
    triangles[flipped] = triangles[flipped][:, ::-1]
    vertices = clean.vertices
    ring = np.array([[0, 2.0, 0.5], [0, 2.04, 0.5], [0, 2.04, 0.54], [0, 2.0, 0.54]])
    wall = clean.names.index("left")
    whole = triangles[group != wall], group[group != wall]
    cut = geometry(_wall_with_hole(ring))
    walls = np.isin(whole[1], [clean.names.index("rear"), clean.names.index("front")])
    triangles = np.concatenate([whole[0], cut.triangles + len(vertices), whole[0][walls]])
    group = np.concatenate([whole[1], np.full(len(cut.triangles), wall), whole[1][walls]])
    return Geometry(
        np.concatenate([vertices, cut.vertices]),
        triangles,
        group,
        clean.names,
        clean.owners,
        np.zeros(len(triangles), dtype=bool),
    )


def _wall_with_hole(ring):
    a, b, c, d = (0, 0, 0), (0, 6, 0), (0, 6, 1.1), (0, 0, 1.1)
    p, q, r, s = map(tuple, ring)
    return {"left": [[a, b, q, p], [b, c, r, q], [c, d, s, r], [d, a, p, s]]}


def test_a_clean_room_is_left_as_it_is():
    room = heal(geometry(attic()))
    assert volume_of(room) == pytest.approx(ATTIC_M3, rel=1e-12)
    assert room.notes == ()
    assert set(room.owners) == {"room"}
    assert is_closed(room)


def test_a_dirty_attic_is_repaired_and_every_repair_is_said():
    dirty = dirty_attic()
    room = heal(dirty)
    assert volume_of(room) == pytest.approx(ATTIC_M3, rel=1e-9)
    assert area_of(room) == pytest.approx(area_of(heal(geometry(attic()))), rel=1e-9)
    said = " | ".join(room.notes)
    assert "dropped 384 duplicate triangles" in said
    assert "closed a hole near (0.00, 2.02, 0.52) m in 'left', 40 x 40 mm" in said
    assert "cut edges where corners of others lie on them" in said
    assert "to face the air" in said
    assert len(find_facets(room, FRONT, 1)[1]) == 7
    assert is_closed(room)


@pytest.mark.parametrize("wall", [0.1, 0.3])
def test_of_two_skins_the_inner_one_is_the_room(wall):
    outer = box((-wall, -wall, -wall), (4 + wall, 5 + wall, 2.5 + wall), "outer ")
    room = heal(geometry({**turned_out(outer), **ROOM}))
    assert volume_of(room) == pytest.approx(50.0)
    assert room.names == tuple(ROOM)
    assert "kept the inner skin, left out 12 triangles of the outer" in room.notes[0]


def test_a_closet_with_thick_walls_is_still_the_air():
    outer = box((-0.3, -0.3, -0.3), (1.9, 2.2, 2.6), "outer ")
    room = heal(geometry({**box((0, 0, 0), (1.6, 1.9, 2.3)), **outer}))
    assert volume_of(room) == pytest.approx(1.6 * 1.9 * 2.3)


def test_bodies_inside_are_objects_whatever_their_winding():
    desk = box((1, 3, 0.5), (2.5, 3.7, 0.75))
    drawer = box((1.2, 3.2, 0.55), (1.5, 3.5, 0.7))
    for faces in (desk, turned_out(desk)):
        parts = {**ROOM, "desk": merged(faces), "drawer": merged(drawer)}
        room = heal(geometry(parts))
        assert volume_of(room) == pytest.approx(50 - 1.5 * 0.7 * 0.25)
        assert room.owners[room.names.index("desk")] == "desk"
        assert "drawer" not in room.names
        assert any("left out 12 triangles that the air" in note for note in room.notes)


def test_an_object_may_stand_on_the_floor_or_be_sunk_into_it():
    for bottom in (0.0, -0.1):
        rack = merged(box((1, 1, bottom), (1.6, 1.6, 1.2)))
        room = heal(geometry({**ROOM, "rack": rack}))
        assert room.owners[room.names.index("rack")] == "rack"
        assert is_closed(room)


def test_an_object_named_like_the_room_gets_a_name_of_its_own():
    parts = {"default": merged(ROOM) + merged(box((1, 1, 1), (2, 2, 2)))}
    room = heal(geometry(parts))
    assert room.names == ("default", "default object")
    assert room.owners == ("room", "default object")


def test_a_free_standing_sheet_has_two_sides():
    room = heal(geometry({**ROOM, "screen": [[(1, 1, 0), (1, 2, 0), (1, 2, 2), (1, 1, 2)]]}))
    assert int(room.sheet.sum()) == 4
    assert volume_of(room) == pytest.approx(50.0)
    assert any("sheets with two sides" in note for note in room.notes)
    screens = [f for f in find_facets(room, FRONT, 1)[1] if f.name.startswith("screen")]
    assert screens[0].normal @ screens[1].normal == pytest.approx(-1)


def test_a_partition_that_shares_edges_with_the_walls_is_a_sheet():
    """The rear wall is in two parts; the partition starts on their common edge."""
    parts = dict(ROOM)
    parts["rear"] = [
        [(0, 0, 0), (0, 0, 2.5), (2, 0, 2.5), (2, 0, 0)],
        [(2, 0, 0), (2, 0, 2.5), (4, 0, 2.5), (4, 0, 0)],
    ]
    parts["partition"] = [[(2, 0, 0), (2, 0, 2.5), (2, 2, 2.5), (2, 2, 0)]]
    room = heal(geometry(parts))
    assert int(room.sheet.sum()) == 4
    assert volume_of(room) == pytest.approx(50.0)
    assert set(room.owners) == {"room"}


def test_a_half_open_room_is_refused_with_the_place():
    for parts in (ROOM, {**ROOM, "desk": merged(box((1, 3, 0.5), (2.5, 3.7, 0.75)))}):
        half = {name: faces for name, faces in parts.items() if name != "front"}
        with pytest.raises(
            SceneError, match=r"near \(2.00, 5.00, 1.25\) m.*4.00 x 2.50 m"
        ) as caught:
            heal(geometry(half))
        assert "room.tolerance" not in str(caught.value)  # a whole wall is missing


def test_a_hole_of_60_mm_is_refused_and_one_of_40_mm_closed():
    def holed(side):
        half = side / np.sqrt(2)  # a square on its corner
        ring = [[0, 2, 0.5 - half], [0, 2 + half, 0.5], [0, 2, 0.5 + half], [0, 2 - half, 0.5]]
        parts = attic()
        parts.update(_wall_with_hole(ring))
        return geometry(parts)

    assert volume_of(heal(holed(0.04))) == pytest.approx(ATTIC_M3)
    with pytest.raises(SceneError, match=r"open along 4 edges.*'left', 85 x 85 mm"):
        heal(holed(0.06))


def test_t_junctions_are_cut():
    """The floor in two strips, walls in one piece: corners of the strips lie on wall edges."""
    parts = dict(ROOM)
    parts["floor"] = [
        [(0, 0, 0), (1.5, 0, 0), (1.5, 5, 0), (0, 5, 0)],
        [(1.5, 0, 0), (4, 0, 0), (4, 5, 0), (1.5, 5, 0)],
    ]
    room = heal(geometry(parts))
    assert is_closed(room)
    assert volume_of(room) == pytest.approx(50.0)
    assert room.notes == ("cut edges where corners of others lie on them: 2 more triangles",)


def test_gaps_are_joined_up_to_the_tolerance():
    room = geometry(ROOM)
    moved = room.vertices.copy()
    ceiling = room.triangles[room.group == room.names.index("ceiling")]
    moved[np.unique(ceiling), 2] += 0.004
    gap = replace(room, vertices=moved)
    with pytest.raises(SceneError, match=r'open along.*or set room.tolerance = "5mm"'):
        heal(gap, 0.001)
    joined = heal(gap, 0.005)
    assert is_closed(joined)
    assert "across gaps up to 5 mm" in joined.notes[0]


def test_fine_detail_of_a_closed_surface_is_kept():
    """A closed bump of 0.4 mm triangles is not melted by a tolerance of 1 mm."""
    bead = merged(box((2, 2, 1), (2.0004, 2.0004, 1.0004)))
    room = heal(geometry({**ROOM, "bead": bead}))
    assert "bead" in room.names


def test_duplicates_cut_along_the_other_diagonal_part_nothing():
    room = geometry(ROOM)
    wall = ROOM["front"][0]
    again = geometry({"front": [[*wall[1:], wall[0]]]})
    both = replace(
        room,
        vertices=np.concatenate([room.vertices, again.vertices]),
        triangles=np.concatenate([room.triangles, again.triangles + len(room.vertices)]),
        group=np.concatenate([room.group, np.full(2, room.names.index("front"))]),
        sheet=np.zeros(14, dtype=bool),
    )
    for seed in range(20):
        healed = heal(numbered(both, seed))
        assert volume_of(healed) == pytest.approx(50.0)
        assert area_of(healed) == pytest.approx(area_of(room))
        assert not healed.sheet.any()


def test_no_triangles():
    empty = replace(geometry(ROOM), triangles=np.zeros((0, 3), dtype=np.int64))
    with pytest.raises(SceneError, match="no triangles"):
        heal(empty)


def test_a_flat_sheet_alone_is_no_room():
    with pytest.raises(SceneError, match="open along"):
        heal(geometry({"floor": ROOM["floor"]}))


@pytest.mark.parametrize(
    "make",
    [
        dirty_attic,
        lambda: geometry(
            {
                **turned_out(box((-0.2, -0.2, -0.2), (4.2, 5.2, 2.7), "outer ")),
                **ROOM,
                "desk": merged(box((1, 3, 0), (2.5, 3.7, 0.75))),
                "screen": [[(1, 1, 0), (1, 2, 0), (1, 2, 2), (1, 1, 2)]],
            }
        ),
    ],
)
def test_healing_twice_changes_nothing(make):
    once = heal(make())
    assert same(once, heal(once))


def test_the_guide_quotes_the_refusal_as_it_is_printed():
    half = {name: faces for name, faces in ROOM.items() if name != "front"}
    with pytest.raises(SceneError) as caught:
        heal(geometry(half))
    guide = Path(__file__).parents[2] / "docs" / "guide" / "preparing-a-mesh.md"
    (quoted,) = (line for line in guide.read_text().splitlines() if "open along 4 edges" in line)
    assert str(caught.value).startswith(quoted.strip().removesuffix("..."))
