"""Kernels against plain formulas."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numba import njit

from raysim.kernels.abreast import new_rays
from raysim.kernels.build import build_tree
from raysim.kernels.directions import lambert, mirrored
from raysim.kernels.lanes import ALL, WIDTH
from raysim.kernels.nearest import nearest as nearest_hit
from raysim.kernels.nearest import nearest_of_sixteen
from raysim.kernels.tree import NOTHING, STACK, triangle_hit
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec, row, set_column
from raysim.scene.read import load_scene
from raysim.solvers.pack import nearest_surface_m

SCENES = Path(__file__).parents[2] / "scenes"


@njit
def nearest(tree, o, d, own_facet, stack, reach):
    """The kernel, which only kernels call."""
    return nearest_hit(tree, o, d, own_facet, stack, reach)


def random_triangles(count: int, seed: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    return random.uniform(0, 5, (count, 1, 3)) + random.normal(0, 0.5, (count, 3, 3))


def plain_nearest(corners: np.ndarray, o: np.ndarray, d: np.ndarray) -> tuple[int, float]:
    """Every triangle by Moeller and Trumbore (1997), front and back."""
    a, b, c = corners.transpose(1, 0, 2)
    p = np.cross(d, c - a)
    det = ((b - a) * p).sum(1)
    u = ((o - a) * p).sum(1) / det
    q = np.cross(o - a, b - a)
    v = (q * d).sum(1) / det
    t = ((c - a) * q).sum(1) / det
    t[(u < 0) | (v < 0) | (u + v > 1) | (t <= 1e-9)] = np.inf
    return (int(t.argmin()), float(t.min())) if np.isfinite(t.min()) else (NOTHING, np.inf)


@pytest.mark.parametrize("count", [1, 2, 5, 700])
def test_tree_finds_what_testing_every_triangle_finds(count: int) -> None:
    corners = random_triangles(count, 3)
    index = np.arange(count)
    tree = build_tree(corners, index, np.zeros(count, bool))
    random = np.random.default_rng(4)
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK)
    hits = 0
    for _ in range(2000):
        o, d = random.uniform(0, 5, 3), random.normal(size=3)
        d /= np.linalg.norm(d)
        k, t = nearest(tree, Vec(*o), Vec(*d), NOTHING, stack, reach)
        expected, distance = plain_nearest(corners, o, d)
        hits += k != NOTHING
        assert k == expected
        assert t == pytest.approx(distance, abs=1e-9)
    assert hits > 0


def test_no_ray_passes_between_triangles_that_share_an_edge() -> None:
    """Rays aimed at the shared diagonal itself, from both sides of it."""
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float) * np.pi
    corners = square[[[0, 1, 2], [0, 2, 3]]]
    tree = build_tree(corners, np.arange(2), np.zeros(2, bool))
    random = np.random.default_rng(1)
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK)
    for _ in range(5000):
        target = random.uniform(0.001, 0.999) * square[2]
        o = random.uniform(0, 3, 3) + np.array([0, 0, 0.1])
        d = (target - o) / np.linalg.norm(target - o)
        k, _ = nearest(tree, Vec(*o), Vec(*d), NOTHING, stack, reach)
        assert k != NOTHING


def test_sheet_is_solid_from_the_front_and_absent_from_the_back() -> None:
    corners = np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0]]], float)
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK)
    down, up = Vec(0.0, 0.0, -1.0), Vec(0.0, 0.0, 1.0)
    for sheet, seen_from_behind in ((True, False), (False, True)):
        tree = build_tree(corners, np.zeros(1, int), np.array([sheet]))
        assert nearest(tree, Vec(0.2, 0.2, 1.0), down, NOTHING, stack, reach)[0] == 0
        behind = nearest(tree, Vec(0.2, 0.2, -1.0), up, NOTHING, stack, reach)[0]
        assert (behind == 0) == seen_from_behind


def test_own_facet_is_never_hit_again() -> None:
    corners = np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0]]], float)
    tree = build_tree(corners, np.zeros(1, int), np.zeros(1, bool))
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK)
    o, d = Vec(0.2, 0.2, 1.0), Vec(0.0, 0.0, -1.0)
    assert nearest(tree, o, d, 0, stack, reach)[0] == NOTHING


def test_random_numbers_depend_on_every_index() -> None:
    some = range(9)
    streams = [np.uint64(branch(np.uint64(i), j)) for i in some for j in some]
    values = {uniform(stream, k) for stream in streams for k in some}
    assert len(values) == 9**3
    assert all(0 <= v < 1 for v in values)


def test_mirrored_direction_keeps_length_and_turns_the_normal_part() -> None:
    d, n = Vec(0.6, 0.0, -0.8), Vec(0.0, 0.0, 1.0)
    assert mirrored(d, n) == pytest.approx((0.6, 0.0, 0.8), abs=1e-15)


def test_lambert_direction_leaves_the_surface() -> None:
    n = Vec(0.0, 1.0, 0.0)
    grid = np.linspace(0, 0.999, 20)
    ys = [lambert(n, u, v).y for u in grid for v in grid]
    assert min(ys) >= 0


def test_distance_to_a_triangle_beside_over_and_at_a_corner() -> None:
    corner = np.array([[[0, 0, 0], [2, 0, 0], [0, 2, 0]]], float)
    for point, expected in (((0.5, 0.5, 0.3), 0.3), ((-1, 0.5, 0), 1.0), ((-3, -4, 0), 5.0)):
        assert nearest_surface_m(corner, np.array(point, float)) == pytest.approx(expected)


@njit
def every_triangle(tree, origin, direction, out_triangle, out_distance):
    """Nearest by the double-precision test of each triangle, without panes and boxes."""
    for i in range(len(origin)):
        out_triangle[i], out_distance[i] = NOTHING, np.inf
        for k in range(len(tree.facet)):
            t = triangle_hit(tree, k, row(origin, i), row(direction, i))
            if t < out_distance[i]:
                out_triangle[i], out_distance[i] = k, t


@njit
def abreast(tree, rays, origin, direction, out_triangle, out_distance):
    """Nearest of each ray, sixteen at a time."""
    rays.facet[:] = NOTHING
    for first in range(0, len(origin), WIDTH):
        for lane in range(WIDTH):
            set_column(rays.o, lane, row(origin, first + lane))
            set_column(rays.d, lane, row(direction, first + lane))
        nearest_of_sixteen(tree, rays, ALL)
        out_triangle[first : first + WIDTH] = rays.triangle
        out_distance[first : first + WIDTH] = rays.t


def test_closed_rooms_with_sheets_as_by_testing_every_triangle() -> None:
    """20,000 rays from air in a room of quadrilaterals, slopes, furniture and a screen: the same
    facet, or two within 1 um (an edge). Some rays are aimed at edges and corners.
    """
    scene = load_scene(SCENES / "control_room.toml")
    mesh = scene.mesh
    screen = np.array([[-0.9, 4.0, 0.9], [0.9, 4.0, 0.9], [0.9, 4.1, 2.0]])
    both = np.concatenate([mesh.corners, screen[None], screen[None, ::-1]])
    sheet = np.concatenate([mesh.sheet, [True, True]])
    facets = mesh.facet.max()
    facet = np.concatenate([mesh.facet, [facets + 1, facets + 2]])
    tree = build_tree(both, facet, sheet)
    assert (tree.second != NOTHING).sum() > 20
    random = np.random.default_rng(6)
    origin = np.array([0.0, 3.05, 1.2]) + random.uniform(-0.5, 0.5, (20_000, 3))
    direction = random.normal(size=(20_000, 3))
    share = random.uniform(0, 1, (4000, 1)) * (random.random((4000, 1)) < 0.8)
    picked = random.integers(len(both), size=4000)
    edge = both[picked, 0] + share * (both[picked, 1] - both[picked, 0])
    direction[:4000] = edge - origin[:4000]
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    expected, distance = np.empty(len(origin), int), np.empty(len(origin))
    every_triangle(tree, origin, direction, expected, distance)
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK)
    for i, (o, d) in enumerate(zip(origin, direction, strict=True)):
        k, t = nearest(tree, Vec(*o), Vec(*d), NOTHING, stack, reach)
        assert k != NOTHING
        assert facet[k] == facet[expected[i]] or abs(t - distance[i]) < 1e-6
    found, t = np.empty(len(origin), int), np.empty(len(origin))
    abreast(tree, new_rays(1, 1, 1, 0), origin, direction, found, t)
    assert (found != NOTHING).all()
    assert ((facet[found] == facet[expected]) | (np.abs(t - distance) < 1e-6)).all()
