"""The shipped bedroom's early reflections against numbers worked by hand from exact images."""

from pathlib import Path

import numpy as np
import pytest

from raysim.scene.read import load_scene
from raysim.settings import Settings
from raysim.solvers.run import run

SCENE = Path(__file__).resolve().parents[2] / "scenes" / "linden.toml"


SPEED = 343.0  # m/s, for which the delays are printed (5.205 ms would be 5.20 at 343.2)


@pytest.fixture(scope="module")
def result():
    return run(load_scene(SCENE), Settings(rays=32, image_order=1, duration_s=0.03))


def path(result, source, surface):
    """The first-order path by a surface: point, delay in ms, level by spreading alone in dB."""
    scene = result.scene
    direct = {r.source: r.length_m for r in result.reflections if not r.facets}
    number = [s.name for s in scene.sources].index(source)
    (found,) = (
        r
        for r in result.reflections
        if r.order == 1
        and r.source == number
        and scene.surfaces[scene.facets[r.facets[0]].surface].name == surface
    )
    spreading = 20 * np.log10(direct[number] / found.length_m)
    metres = found.delay_s * scene.climate.speed_of_sound
    return found.points[0], metres / SPEED * 1000, spreading


# Printed to the last digit shown: own arithmetic with exact images, invented room.
@pytest.mark.parametrize(
    ("source", "surface", "point", "delay_ms", "level_db"),
    [
        ("left", "left", {1: (1.009, 3), 2: (1.20, 2)}, 5.21, -7.9),
        ("right", "left", {1: (1.198, 3), 2: (1.20, 2)}, 8.55, -10.7),
        ("left", "ceiling", {0: (1.40, 2), 1: (1.12, 2)}, 4.32, -7.0),
        ("left", "desk", {2: (0.75, 2)}, 0.87, -1.9),
        ("right", "desk", {2: (0.75, 2)}, 0.87, -1.9),
    ],
)
def test_early_reflection(result, source, surface, point, delay_ms, level_db):
    where, delay, level = path(result, source, surface)
    for axis, (expected, digits) in point.items():
        assert where[axis] == pytest.approx(expected, abs=0.5 * 10**-digits + 1e-9)
    assert delay == pytest.approx(delay_ms, abs=0.005)
    assert level == pytest.approx(level_db, abs=0.05)


def test_desk_notch(result):
    """First notch of direct sound and desk reflection, half a wave apart: 572 Hz printed."""
    _, delay, _ = path(result, "left", "desk")
    assert 1000 / (2 * delay) == pytest.approx(572, abs=0.5)


def test_desk_is_the_loudest_first_reflection(result):
    scene = result.scene
    first = [r for r in result.reflections if r.order == 1 and r.source == 0]
    direct = next(r.length_m for r in result.reflections if r.order == 0 and r.source == 0)
    shortest = min(first, key=lambda r: r.length_m)
    assert scene.surfaces[scene.facets[shortest.facets[0]].surface].name == "desk"
    assert shortest.length_m - direct < 0.31
