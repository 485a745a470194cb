"""Facets and their frames, against what a person standing in the room would say."""

import numpy as np
import pytest

from raysim.scene.facets import find_facets, frames, signed_area
from raysim.scene.geometry import Geometry
from tests.meshes import box, geometry, refined

TAPE_FRONT = np.array([0.0, -1.0, 0.0])


def welded(given: Geometry) -> Geometry:
    vertices, index = np.unique(np.round(given.vertices, 9), axis=0, return_inverse=True)
    triangles = index.ravel()[given.triangles]
    return Geometry(vertices, triangles, given.group, given.names, given.owners, given.sheet)


@pytest.mark.parametrize(
    ("normal", "u", "v"),
    [
        ((0, 1, 0), (1, 0, 0), (0, 0, 1)),  # front wall: right hand to x
        ((1, 0, 0), (0, -1, 0), (0, 0, 1)),  # left wall: right hand to the front
        ((-1, 0, 0), (0, 1, 0), (0, 0, 1)),  # right wall: right hand to the rear
        ((0, -1, 0), (-1, 0, 0), (0, 0, 1)),  # rear wall
        ((0, 0, 1), (1, 0, 0), (0, -1, 0)),  # floor: up the page is to the front
        ((0, 0, -1), (1, 0, 0), (0, -1, 0)),  # ceiling: drawn over the floor
    ],
)
def test_frames_in_a_tape_measured_room(normal, u, v):
    found_u, found_v = frames(np.array([normal], dtype=float), TAPE_FRONT, handedness=-1)
    np.testing.assert_allclose(found_u[0], u, atol=1e-15)
    np.testing.assert_allclose(found_v[0], v, atol=1e-15)


@pytest.mark.parametrize(
    ("normal", "u"),
    [((0, -1, 0), (1, 0, 0)), ((1, 0, 0), (0, 1, 0)), ((0, 0, -1), (1, 0, 0))],
)
def test_frames_in_a_mesh_whose_front_is_y(normal, u):
    found, _ = frames(np.array([normal], dtype=float), np.array([0.0, 1.0, 0.0]), handedness=1)
    np.testing.assert_allclose(found[0], u, atol=1e-15)


def test_a_slope_of_40_degrees_is_drawn_in_plan_and_one_of_50_as_a_wall():
    def v_of(degrees: float) -> np.ndarray:
        slope = np.radians(degrees)
        normal = np.array([[np.sin(slope), 0.0, -np.cos(slope)]])
        return frames(normal, TAPE_FRONT, handedness=-1)[1][0]

    np.testing.assert_allclose(v_of(40), TAPE_FRONT, atol=1e-12)
    assert v_of(50)[2] > 0.5


def test_a_box_has_six_facets_however_finely_it_is_cut():
    for times in (0, 1, 2):
        room = welded(refined(geometry(box((0, 0, 0), (4, 5, 2.5))), times))
        facet, facets = find_facets(room, np.array([0.0, 1.0, 0.0]), 1)
        assert len(facet) == 12 * 4**times
        assert [f.name for f in facets] == ["floor", "ceiling", "left", "right", "rear", "front"]
        front = facets[5]
        np.testing.assert_allclose(front.origin, (0, 5, 0), atol=1e-12)
        np.testing.assert_allclose(front.size, (4, 2.5), atol=1e-12)
        assert front.area == pytest.approx(10.0, rel=1e-12)
        assert len(front.outline) == 1
        assert len(front.outline[0]) == 4
        corners = room.vertices[room.triangles]
        for k, f in enumerate(facets):
            off = (corners[facet == k] - f.origin) @ f.normal
            assert np.abs(off).max() < 1e-12


def test_outlines_with_a_hole_that_touches_the_edge():
    """A 3 x 3 grid of squares of one surface, the centre and one corner of another."""
    square = [
        [(x, 0.0, z), (x + 1, 0.0, z), (x + 1, 0.0, z + 1), (x, 0.0, z + 1)]
        for x in range(3)
        for z in range(3)
    ]
    other = [square.pop(8), square.pop(4)]
    sheet = welded(geometry({"field": square, "window": other}))
    _, facets = find_facets(sheet, np.array([0.0, 1.0, 0.0]), 1)
    assert [f.name for f in facets] == ["field", "window 1", "window 2"]
    field = facets[0]
    assert field.area == pytest.approx(7.0)
    assert [signed_area(loop) for loop in field.outline] == pytest.approx([8.0, -1.0])
    assert len(field.outline[0]) == 6


def test_every_outline_encloses_the_facets_area():
    room = welded(refined(geometry(box((0, 0, 0), (4, 5, 2.5))), 1))
    group = room.group.copy()
    group[::5] = 0
    mixed = Geometry(room.vertices, room.triangles, group, room.names, room.owners, room.sheet)
    for f in find_facets(mixed, np.array([0.0, 1.0, 0.0]), 1)[1]:
        assert sum(signed_area(loop) for loop in f.outline) == pytest.approx(f.area, rel=1e-12)
        assert np.concatenate(f.outline).min(axis=0) == pytest.approx((0, 0), abs=1e-12)
        assert np.concatenate(f.outline).max(axis=0) == pytest.approx(f.size)


def test_the_two_sides_of_a_sheet_are_two_facets():
    side = [[(0, 0, 0), (1, 0, 0), (1, 0, 1), (0, 0, 1)]]
    both = welded(geometry({"screen": [*side, side[0][::-1]]}))
    both = Geometry(
        both.vertices, both.triangles, both.group, both.names, both.owners, np.ones(4, dtype=bool)
    )
    facet, facets = find_facets(both, np.array([0.0, 1.0, 0.0]), 1)
    assert len(facets) == 2
    assert facets[0].normal @ facets[1].normal == pytest.approx(-1)
    assert facet[0] == facet[1] != facet[2] == facet[3]


def cylinder_strips(count: int, radius: float, arc: float) -> Geometry:
    angles = np.linspace(0, arc, count + 1)
    x, y = radius * np.cos(angles), radius * np.sin(angles)
    strips = [
        [(x[k], y[k], 0.0), (x[k + 1], y[k + 1], 0.0), (x[k + 1], y[k + 1], 1.0), (x[k], y[k], 1.0)]
        for k in range(count)
    ]
    return welded(geometry({"curve": strips}))


def test_a_gently_curved_wall_is_not_one_facet():
    """Neighbouring strips are coplanar within the tolerance, the whole is not: 0.1 mm of arch."""
    curve = cylinder_strips(200, radius=1000.0, arc=0.001)
    facet, facets = find_facets(curve, np.array([0.0, 1.0, 0.0]), 1)
    assert 1 < len(facets) < 200
    corners = curve.vertices[curve.triangles]
    for k, f in enumerate(facets):
        assert np.abs((corners[facet == k] - f.origin) @ f.normal).max() < 5e-6
    assert sum(f.area for f in facets) == pytest.approx(1.0, rel=1e-6)


def test_a_visibly_curved_wall_keeps_every_strip():
    assert len(find_facets(cylinder_strips(60, 5.0, 1.0), np.array([0.0, 1.0, 0.0]), 1)[1]) == 60
