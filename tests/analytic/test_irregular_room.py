"""Modes of a room without parallel walls by another method: finite volumes on a grid."""

import numpy as np
import pytest

from raysim.waves.elements import assemble
from raysim.waves.modes import rigid_modes
from raysim.waves.tetrahedra import tetrahedra_of
from tests.plain.plan_grid import frequencies
from tests.rooms import outline_room

SPEED, HEIGHT_M, TO_HZ = 343.2, 2.3, 150.0
OUTLINE = [(0, 0), (3.1, 0.25), (3.3, 2.6), (1.9, 3.4), (0.2, 2.9)]
INSIDE = (1.2, 1.1, 1.0)


def test_the_grid_itself_on_a_box():
    """Walls that cut cells: 0.05 % of the closed form."""
    size = np.array([3.03, 2.02, HEIGHT_M])
    box = [(0, 0), (size[0], 0), (size[0], size[1]), (0, size[1])]
    numbers = np.indices((9, 9, 9)).reshape(3, -1).T
    exact = np.sort(SPEED / 2 * np.sqrt(((numbers / size) ** 2).sum(axis=1)))[1:]
    found = frequencies(box, HEIGHT_M, 0.04, SPEED, TO_HZ)
    assert found == pytest.approx(exact[: len(found)], rel=5e-4)
    assert exact[len(found)] > TO_HZ


@pytest.mark.slow
def test_five_walls_against_the_grid():
    """All 15 modes to 150 Hz within 0.1 %; halving the grid's step moves them by 0.04 %."""
    room = outline_room(OUTLINE, HEIGHT_M, sources=[INSIDE], receivers=[INSIDE]).mesh
    made = tetrahedra_of(room.vertices, room.triangles, np.array(INSIDE), SPEED / TO_HZ)
    elements = assemble(made, lambda _points, triangle: 0 * triangle, np.array([room.areas.sum()]))
    modes = rigid_modes(elements, 2 * np.pi * TO_HZ / SPEED)
    found = np.sqrt(modes.squared[1:]) * SPEED / (2 * np.pi)
    grid = frequencies(OUTLINE, HEIGHT_M, 0.025, SPEED, TO_HZ)
    assert len(grid) == 15
    assert found == pytest.approx(grid, rel=1e-3)
    square = frequencies([(0, 0), (3.2, 0), (3.2, 2.9), (0, 2.9)], HEIGHT_M, 0.05, SPEED, TO_HZ)
    assert np.abs(square[:15] / grid[: len(square)] - 1).max() > 1e-2
