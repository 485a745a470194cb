import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raysim.errors import SceneError
from raysim.scene.assemble import enclosed_volume
from raysim.scene.faces import open_edges
from raysim.scene.rooms import Patch, bodies, box_room, furnish, outline_room, prism
from tests.rooms import outline_room as outline_scene
from tests.rooms import shoebox, sphere_room

EXACT = 1e-9
SIZE = (4.2, 3.4, 2.4)
ATTIC = [(0, 0), (2.1, 0), (4.2, 0), (4.2, 6), (2.1, 6), (0, 6)]
ATTIC_TOP = [(x, y, 2.5 if x == 2.1 else 1.1) for x, y in ATTIC]
ELL = [(0, 0), (4.6, 0), (4.6, 3.8), (2.4, 3.8), (2.4, 5.8), (0, 5.8)]


def box(name, low, high):
    (x, y, z), (X, Y, Z) = low, high
    return prism(name, [(x, y), (X, y), (X, Y), (x, Y)], z, Z)


def area_of(geometry, name):
    a, b, c = geometry.vertices[
        geometry.triangles[geometry.group == geometry.names.index(name)]
    ].transpose(1, 0, 2)
    return np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2


def test_a_box_by_hand():
    scene = shoebox(SIZE)
    assert scene.volume == pytest.approx(4.2 * 3.4 * 2.4, rel=EXACT)
    assert scene.area == pytest.approx(2 * (4.2 * 3.4 + 4.2 * 2.4 + 3.4 * 2.4), rel=EXACT)
    facets = {f.name: f for f in scene.facets}
    assert set(facets) == {"front", "rear", "left", "right", "floor", "ceiling"}
    for name, normal in {
        "front": (0, 1, 0),
        "rear": (0, -1, 0),
        "left": (1, 0, 0),
        "right": (-1, 0, 0),
        "floor": (0, 0, 1),
        "ceiling": (0, 0, -1),
    }.items():
        np.testing.assert_allclose(facets[name].normal, normal, atol=1e-12)
    np.testing.assert_allclose(facets["front"].u, (1, 0, 0), atol=1e-12)


@pytest.mark.parametrize("turn", [1, -1])
def test_an_ell_either_way_round(turn):
    # room R4: 5.8 x 4.6 less 2.2 x 2.0 m, 2.6 m high
    scene = outline_scene(ELL[::turn], 2.6)
    assert scene.volume == pytest.approx((5.8 * 4.6 - 2.2 * 2.0) * 2.6, rel=EXACT)
    assert len(scene.facets) == 8


def test_an_attic_folds_along_its_ridge():
    # gable area: 1.1 m knee walls, ridge 2.5 m, 4.2 m wide: (1.1 + 2.5) / 2 * 4.2
    scene = outline_scene(ATTIC, ATTIC_TOP, receivers=((2.1, 3.0, 1.0),))
    assert scene.volume == pytest.approx(1.8 * 4.2 * 6.0, rel=EXACT)
    assert len([f for f in scene.facets if f.name.startswith("ceiling")]) == 2
    assert "folded along ridges" in scene.notes[0]


@pytest.mark.parametrize("low", [0, 1])
def test_a_twisted_ceiling_folds_up_between_its_high_corners(low):
    # each triangle has corners 3, 3 and 2 m high
    corners = [(0, 0), (4, 0), (4, 4), (0, 4)]
    scene = outline_scene(corners, [(*c, 2 if k % 2 == low else 3) for k, c in enumerate(corners)])
    assert scene.volume == pytest.approx(16 * 8 / 3, rel=EXACT)


def test_a_sloping_ceiling_in_one_plane_is_one_facet():
    corners = [(0, 0), (4, 0), (4, 3), (0, 3)]
    scene = outline_scene(corners, [(x, y, 2 + y / 3) for x, y in corners])
    assert scene.volume == pytest.approx(4 * 3 * 2.5, rel=EXACT)
    assert len(scene.facets) == 6
    assert scene.notes == ()


def test_patches_keep_the_area_and_close():
    window = Patch("window", "left", (1.3, 0.95), (1.3, 1.25))
    door = Patch("door", "left", (0.2, 0.0), (0.8, 2.0))
    pane = Patch("pane", "left", (1.5, 1.0), (0.5, 0.5))
    geometry = furnish(box_room(SIZE), [], [window, door, pane])
    assert area_of(geometry, "window") == pytest.approx(1.3 * 1.25 - 0.25, rel=EXACT)
    assert area_of(geometry, "left") == pytest.approx(4.2 * 2.4 - 1.3 * 1.25 - 1.6, rel=EXACT)
    assert not len(open_edges(geometry))


def test_only_what_borders_air_remains_of_touching_things():
    rack = box("rack", (0.0, 3.7, 0.0), (0.5, 4.2, 1.5))  # in a corner, on the floor
    top = box("top", (1.0, 0.5, 0.72), (2.5, 1.2, 0.75))
    leg = box("leg", (1.0, 0.5, 0.0), (1.1, 1.2, 0.75))  # through the top
    speaker = prism("speaker", [(1.4, 0.6), (1.8, 0.7), (1.7, 1.0), (1.3, 0.9)], 0.75, 1.1)
    geometry = furnish(box_room(SIZE), [rack, top, leg, speaker])
    solid = 0.5 * 0.5 * 1.5 + 1.5 * 0.7 * 0.03 + 0.1 * 0.7 * 0.72 + speaker.plan.area * 0.35
    assert enclosed_volume(geometry) == pytest.approx(4.2 * 3.4 * 2.4 - solid, rel=EXACT)
    assert area_of(geometry, "rack") == pytest.approx(0.25 + 2 * 0.5 * 1.5, rel=EXACT)
    assert area_of(geometry, "floor") == pytest.approx(4.2 * 3.4 - 0.25 - 0.07, rel=EXACT)
    assert not len(open_edges(geometry))


def test_what_reaches_through_the_walls_is_left_off_and_said():
    geometry = furnish(box_room(SIZE), [box("shelf", (-0.3, 1.0, -0.2), (0.3, 2.0, 3.0))])
    assert enclosed_volume(geometry) == pytest.approx(3.4 * 4.2 * 2.4 - 0.3 * 2.4, rel=EXACT)
    assert any("objects.shelf" in note and "beyond the room" in note for note in geometry.notes)


def test_what_other_things_hide_is_said():
    rack, part = box("rack", (1, 1, 0), (2, 2, 1)), box("part", (1.2, 1.2, 0), (1.8, 1.8, 0.5))
    geometry = furnish(box_room(SIZE), [rack, part])
    assert geometry.notes == (
        "objects.part: it lies wholly inside other things and changes nothing",
    )
    assert enclosed_volume(geometry) == pytest.approx(3.4 * 4.2 * 2.4 - 1, rel=EXACT)


def test_a_body_of_its_own_encloses_no_air():
    (body,) = bodies([box("rack", (0, 0, 0), (1, 2, 3))])
    assert enclosed_volume(body) == pytest.approx(-6.0, rel=EXACT)


@given(
    st.lists(
        st.tuples(
            *(st.integers(-4, 30) for _ in range(2)),
            st.integers(-2, 20),
            *(st.integers(1, 14) for _ in range(3)),
        ),
        max_size=5,
    )
)
@settings(max_examples=40, deadline=None)
def test_any_pile_of_boxes_leaves_a_closed_room(places):
    """Whole decimetres make contacts, overlaps and flush faces likely; volume by counting."""
    inside = np.zeros((34, 42, 24), dtype=bool)
    things = []
    for k, (x, y, z, w, d, h) in enumerate(places):
        cut = tuple(
            slice(max(low, 0), max(low + size, 0)) for low, size in ((x, w), (y, d), (z, h))
        )
        if inside[cut].size == 0:
            continue
        inside[cut] = True
        low, high = np.array([x, y, z]) / 10, np.array([x + w, y + d, z + h]) / 10
        things.append(box(f"thing{k}", low, high))
    geometry = furnish(box_room(SIZE), things)
    assert enclosed_volume(geometry) == pytest.approx((~inside).sum() / 1000, rel=EXACT)
    assert not len(open_edges(geometry))


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: outline_room([(0, 0), (1, 1), (1, 0), (0, 1)], 2), "crosses or touches itself"),
        (lambda: outline_room([(0, 0), (1, 1)], 2), "at least 3"),
        (lambda: outline_room([(0, 0), (3, 0), (3, 3), (0, 0)], 2), "corners 4 and 1"),
        (lambda: outline_room(ELL, [(0, 0, 2)]), "no point above the corner (4.6, 0)"),
        (lambda: outline_room(ELL[:4], [(9, 9, 2)]), "above no corner"),
        (lambda: outline_room(ELL[:3], [(*p, 2) for p in (ELL[0], ELL[0])]), "two points above"),
        (lambda: outline_room(ELL[:3], [(*p, -1) for p in ELL[:3]]), "at least"),
        (lambda: furnish(box_room(SIZE), [box("far", (9, 9, 0), (10, 10, 1))]), "wholly outside"),
        (lambda: furnish(box_room(SIZE), [box("up", (1, 1, 3), (2, 2, 4))]), "above the ceiling"),
        (
            lambda: furnish(outline_room(ATTIC, ATTIC_TOP), [box("up", (0, 1, 0), (1, 2, 1.5))]),
            "its top at 1.5 m is 0.40 m above the sloping ceiling at (0.00",
        ),
        (
            lambda: furnish(box_room(SIZE), [], [Patch("window", "left", (4, 0), (1, 1))]),
            "spans 0.00 to 4.20 m across and 0.00 to 2.40 m up",
        ),
        (
            lambda: furnish(box_room(SIZE), [], [Patch("window", "lefft", (0, 0), (1, 1))]),
            "there are ceiling, floor, front, left, rear, right",
        ),
    ],
)
def test_impossible_rooms_are_refused_with_the_place(make, sentence):
    with pytest.raises(SceneError) as error:
        make()
    assert sentence in str(error.value)


def test_a_sphere_nears_its_closed_form():
    # an inscribed icosphere of 1280 faces loses less than 1 % of volume and area
    scene = sphere_room(2.0, 3)
    assert 0.99 < scene.volume / (4 / 3 * np.pi * 8) < 1
    assert 0.99 < scene.area / (4 * np.pi * 4) < 1
