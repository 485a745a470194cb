"""The sum over modes that scores layouts, against closed forms of a box and the full solution."""

import numpy as np
import pytest

from raysim.place.waves import (
    FREE_FIELD,
    Modes,
    Plausible,
    exact_response,
    log_frequencies,
    plausible_rooms,
    zone_points,
)
from tests.rooms import shoebox

SIZE = (2.6, 2.0, 2.2)  # length, width, height
SOURCE = np.array([0.5, 0.45, 1.1])
SEAT = np.array([1.0, 1.5, 1.15])
NO_SLIP = np.zeros((11, 3))


@pytest.fixture(scope="module")
def scene():
    return shoebox(SIZE, absorption=0.1, sources=(SOURCE,), receivers=(SEAT,))


@pytest.fixture(scope="module")
def modes(scene):
    return Modes(scene, log_frequencies(120.0), SEAT)


def test_stretched_box_has_the_modes_of_the_longer_box(modes):
    """Squared wavenumbers of a box, sum (n pi / L)^2: to 0.5 %, where the stretch makes 2 %.

    Modes of nearly one frequency mix as the mesh, which is drawn anew, has it.
    """
    stretch = np.array([1.01, 0.99, 1.004])
    stretched = (modes.along / stretch**2).sum(axis=1)
    sides = np.array([SIZE[1], SIZE[0], SIZE[2]]) * stretch
    numbers = np.indices((6, 6, 6)).reshape(3, -1).T
    exact = np.sort(((numbers * np.pi / sides) ** 2).sum(axis=1))
    first = np.sort(stretched)[1:12]
    assert exact[1:12] == pytest.approx(first, rel=5e-3)


def test_sum_over_modes_is_near_the_full_solution(scene, modes):
    """Rms of the difference below 5 % in a box that absorbs a tenth; worse without statics."""
    points = zone_points(SEAT, [0.1, 0.1, 0.1])
    frequencies = log_frequencies(120.0)
    full = exact_response(scene, SOURCE[None], points, frequencies)[0]
    values, observe = modes.at(SOURCE[None])
    beyond = modes.beyond(observe, values)[:, 0]
    at_zone, zone = modes.at(points)
    summed = np.einsum("m,fmn,zn->zf", values[0], modes.inverse(), at_zone)
    summed = FREE_FIELD * (summed + (zone @ beyond)[:, None])
    assert _apart(summed, full) < 0.05
    bare = FREE_FIELD * np.einsum("m,fmn,zn->zf", values[0], modes.inverse(), at_zone)
    assert _apart(bare, full) > 1.5 * _apart(summed, full)


def _apart(one, other):
    return np.sqrt((np.abs(one - other) ** 2).sum() / (np.abs(other) ** 2).sum())


def test_warm_air_moves_every_response_up(modes):
    """At the same wavenumber the rigid part is the same: a 2 % faster sound is 2 % higher."""
    frequencies = modes.frequencies_hz
    nominal = np.abs(modes.inverse()[:, 1, 1])
    warm = Plausible(np.ones(3), modes.speed * 1.02, 0.0, NO_SLIP)
    moved = np.abs(modes.inverse(warm)[:, 1, 1])
    assert frequencies[moved.argmax()] > frequencies[nominal.argmax()]


def test_plausible_rooms_are_those_of_the_seed(scene):
    one, same, other = (plausible_rooms(scene, 3, seed, 0.01) for seed in (1, 1, 2))
    assert [r.speed for r in one] == [r.speed for r in same] != [r.speed for r in other]
    assert all(np.abs(r.slip_m).max() <= 0.01 for r in one)
    assert all(np.ptp(r.slip_m[2:], axis=0).max() == 0 for r in one)
