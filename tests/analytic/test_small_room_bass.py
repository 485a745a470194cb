"""What trade and geometry say of the bass of small boxes, through `compute_bass`."""

import numpy as np
import pytest

from raysim.solvers.bass import compute_bass
from tests.rooms import shoebox

SIZE = (4.2, 3.4, 2.4)  # length, width, height
SPEAKERS = ((0.8, 0.6, 1.2), (2.6, 0.6, 1.2))
SEAT = (1.7, 1.6, 1.2)


@pytest.fixture(scope="module")
def bedroom():
    """A box of hard walls; loudspeakers and ears at half the height, the seat in the middle."""
    scene = shoebox(SIZE, 0.05, sources=SPEAKERS, receivers=(SEAT,))
    return compute_bass(scene, highest_hz=110.0), scene.climate.speed_of_sound


def test_first_six_modes(bedroom):
    """n c/2L and their sums of squares: 40.8 to 82.3 Hz, within 0.5 %, and their names."""
    bass, speed = bedroom
    expected = {
        "along the length, 1st": 40.8,
        "across the width, 1st": 50.4,
        "tangential, length 1, width 1": 64.9,
        "floor to ceiling, 1st": 71.5,
        "along the length, 2nd": 81.7,
        "tangential, length 1, height 1": 82.3,
    }
    for kind, hz in expected.items():
        found = bass.mode_frequency_hz[bass.mode_kind.index(kind)] * 343.0 / speed
        assert found == pytest.approx(hz, rel=5e-3), kind


def test_ears_at_half_the_height_miss_the_first_vertical_mode(bedroom):
    """Neither excited nor heard; and across the width the loudspeakers are in opposite phase."""
    bass, _ = bedroom
    vertical = bass.mode_kind.index("floor to ceiling, 1st")
    assert np.abs(bass.mode_at_sources[vertical]).max() < 0.02
    assert abs(bass.mode_at_receivers[vertical, 0]) < 0.02
    across = bass.mode_kind.index("across the width, 1st")
    left, right = bass.mode_at_sources[across]
    assert left == pytest.approx(-right, rel=0.03)
    assert abs(left) > 0.5
    assert abs(bass.mode_at_receivers[across, 0]) < 0.02
    length = bass.mode_kind.index("along the length, 1st")
    assert abs(bass.mode_at_receivers[length, 0]) > 0.3


def test_corners_are_louder(bedroom):
    """Common practice: more than 6 dB louder than the rest of the room at low frequency.

    Against the inner half of the room that holds in thirds with a mode; a single mode can't
    exceed 3, 6 or 9 dB against the room's average, nor can the mean of all corners by much.
    """
    bass, _ = bedroom
    f, field = bass.frequency_hz, bass.field
    middle, average = [], []
    for centre in (39.8, 50.1, 63.1, 79.4, 100.0):
        own = (f > centre * 10**-0.05) & (f < centre * 10**0.05)
        corner = np.mean(np.abs(field.corner[0, 0][:, own]) ** 2)
        middle.append(10 * np.log10(corner / field.middle_square[0, 0][own].mean()))
        average.append(10 * np.log10(corner / field.mean_square[0, 0][own].mean()))
    assert max(middle) > 6
    assert 2 < min(average)
    assert max(average) < 9.5


def test_three_modes_of_a_cube_are_told_apart():
    """57.2 Hz three times in 3 m, each along one side."""
    scene = shoebox((3.0, 3.0, 3.0), 0.05, sources=((0.7, 0.6, 1.0),), receivers=((1.2, 2.0, 1.3),))
    bass = compute_bass(scene, highest_hz=70.0)
    first = [
        bass.mode_kind.index(f"{way}, 1st")
        for way in ("along the length", "across the width", "floor to ceiling")
    ]
    expected = scene.climate.speed_of_sound / 6
    assert bass.mode_frequency_hz[first] == pytest.approx([expected] * 3, rel=2e-3)
    place = np.array([2.0, 1.2, 1.3])  # along the length (y), across (x), up
    shape = np.sqrt(2) * np.abs(np.cos(np.pi * place / 3.0))
    assert np.abs(bass.mode_at_receivers[first, 0]) == pytest.approx(shape, abs=0.05)
