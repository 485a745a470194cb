"""Kernels against plain formulas."""

from __future__ import annotations

import numpy as np
import pytest

from raysim.kernels.build import build_tree
from raysim.kernels.directions import lambert, mirrored
from raysim.kernels.tree import NOTHING, STACK, nearest
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec
from raysim.solvers.pack import nearest_surface_m


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
    tree = build_tree(corners, index, index, np.zeros(count, bool))
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
    tree = build_tree(corners, np.arange(2), np.zeros(2, int), np.zeros(2, bool))
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
        tree = build_tree(corners, np.zeros(1, int), np.zeros(1, int), np.array([sheet]))
        assert nearest(tree, Vec(0.2, 0.2, 1.0), down, NOTHING, stack, reach)[0] == 0
        behind = nearest(tree, Vec(0.2, 0.2, -1.0), up, NOTHING, stack, reach)[0]
        assert (behind == 0) == seen_from_behind


def test_own_facet_is_never_hit_again() -> None:
    corners = np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0]]], float)
    tree = build_tree(corners, np.zeros(1, int), np.zeros(1, int), np.zeros(1, bool))
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
