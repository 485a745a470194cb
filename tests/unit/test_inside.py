"""Points in the air, in objects, outside; the nearest surface."""

import numpy as np
import pytest
import shapely
import trimesh

from raysim.scene.heal import heal
from raysim.scene.inside import (
    AIR,
    clearance,
    is_clear,
    locate,
    nearest_surface,
    winding_number,
)
from raysim.scene.rooms import Prism
from tests.meshes import box, geometry, refined
from tests.rooms import shoebox, sphere_room

ROOM = {
    **box((0, 0, 0), (4, 5, 2.5)),
    "desk": [f for fs in box((1, 3, 0), (2.5, 3.7, 0.75)).values() for f in fs],
    "screen": [[(1, 1, 0), (1, 2, 0), (1, 2, 2), (1, 1, 2)]],
}


def test_where_points_are():
    room = heal(refined(geometry(ROOM), 2))
    points = [
        (2, 2, 1.2),
        (1.7, 3.3, 0.3),
        (1.7, 3.3, 0.7501),
        (-0.01, 2, 1),
        (9, 9, 9),
        (1.001, 1.5, 1),
        (1.7, 3.3, -0.2),
    ]
    expected = ["air", "desk", "air", "outside", "outside", "air", "outside"]
    assert locate(room, np.array(points)) == expected


def test_where_points_are_in_an_object_cut_open_on_the_floor():
    """Furniture whose footprint is cut out of the floor, so that air and surfaces close."""
    parts = box((0, 0, 0), (4, 5, 2.5))
    parts["floor"] = [
        [(0, 0, 0), (4, 0, 0), (4, 3, 0), (0, 3, 0)],
        [(0, 3, 0), (1, 3, 0), (1, 5, 0), (0, 5, 0)],
        [(2.5, 3, 0), (4, 3, 0), (4, 5, 0), (2.5, 5, 0)],
        [(1, 3.7, 0), (2.5, 3.7, 0), (2.5, 5, 0), (1, 5, 0)],
    ]
    sides = box((1, 3, 0), (2.5, 3.7, 0.75))
    del sides["floor"]
    parts["desk"] = [face[::-1] for faces in sides.values() for face in faces]
    room = geometry(parts)
    room = type(room)(
        room.vertices,
        room.triangles,
        room.group,
        room.names,
        (*["room"] * 6, "desk"),
        room.sheet,
    )
    found = locate(room, np.array([(2, 2, 1.2), (1.7, 3.3, 0.3), (1.7, 3.3, -0.2), (3, 3, -0.1)]))
    assert found == ["air", "desk", "outside", "outside"]


def test_winding_number_on_a_side_is_half():
    corners = geometry(box((0, 0, 0), (4, 5, 2.5)))
    on = winding_number(corners.vertices[corners.triangles], np.array([[0.0, 1.3, 1.1]]))
    assert on[0] == pytest.approx(0.5, abs=1e-9)


def test_nearest_surface_equals_an_independent_library():
    room = heal(refined(geometry(ROOM), 1))
    points = np.random.default_rng(3).uniform(-1, 6, (200, 3))
    apart, place, triangle = nearest_surface(room, points)
    mesh = trimesh.Trimesh(room.vertices, room.triangles, process=False)
    expected = trimesh.proximity.closest_point_naive(mesh, points)[1]
    np.testing.assert_allclose(apart, expected, atol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(place - points, axis=1), apart, atol=1e-12)
    own = room.vertices[room.triangles[triangle]]
    normal = np.cross(own[:, 1] - own[:, 0], own[:, 2] - own[:, 0])
    assert np.abs(np.einsum("ij,ij->i", place - own[:, 0], normal)).max() < 1e-12


def test_clear_points_are_those_found_one_by_one():
    """In the air and far enough off, also between and behind things, in a fine mesh."""
    scene = sphere_room(radius=1.5, subdivisions=3)
    boxed = shoebox(
        (4.0, 3.0, 2.5), prisms=(Prism("desk", shapely.box(1.0, 0.5, 2.6, 1.8), 0.4, 0.9),)
    )
    for room in (scene, boxed):
        low, high = room.mesh.vertices.min(axis=0) - 0.4, room.mesh.vertices.max(axis=0) + 0.4
        points = np.random.default_rng(3).uniform(low, high, (150, 3))
        for radius in (0.01, 0.3):
            one_by_one = np.array(
                [
                    locate(room, p[None])[0] == AIR
                    and nearest_surface(room.mesh, p[None])[0][0] >= radius
                    for p in points
                ]
            )
            assert 5 < one_by_one.sum() < 145
            assert (is_clear(room, points, radius) == one_by_one).all()
        free = clearance(room.mesh, points, 0.5)
        expected = np.minimum(nearest_surface(room.mesh, points)[0], 0.5)
        assert free == pytest.approx(expected, abs=1e-12)
