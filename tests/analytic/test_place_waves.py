"""The sum over modes that scores layouts, against closed forms of a box and the full solution."""

import numpy as np
import pytest

from raysim.place.aim import bass_terms
from raysim.place.fields import Fields
from raysim.place.layouts import Layout
from raysim.place.plausible import Plausible, plausible_rooms
from raysim.place.waves import FREE_FIELD, Modes, exact_response, log_frequencies
from raysim.place.zones import is_drawn_in, zone_points
from tests.rooms import shoebox

SIZE = (2.6, 2.0, 2.2)  # length, width, height
SOURCE = np.array([0.5, 0.45, 1.1])
SEAT = np.array([1.0, 1.5, 1.15])
ZONE = np.array([0.1, 0.1, 0.1])
NO_SLIP = np.zeros((3, 3))


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


def inverse(modes, room=None):
    return np.linalg.inv(modes.matrices(np.arange(len(modes.frequencies_hz)), room))


def summed(modes, source, points, room=None):
    """(points, F) the plain way: inverse of the whole matrix, one source, one place at a time."""
    from_source, at_points = modes.at(source[None])[0][0], modes.at(points)[0]
    return FREE_FIELD * np.einsum("m,fmn,zn->zf", from_source, inverse(modes, room), at_points)


def beyond(modes, source, points):
    return FREE_FIELD * modes.beyond(source[None], points)[0][:, None]


def zone_about(modes, seat):
    return zone_points(modes.scene, seat[None], ZONE)[0]


def test_sum_over_modes_is_near_the_full_solution(scene, modes):
    """Rms of the difference below 5 % in a box that absorbs a tenth; worse without statics."""
    points = zone_about(modes, SEAT)
    frequencies = log_frequencies(120.0)
    full = exact_response(scene, SOURCE[None], points, frequencies)[0]
    known = exact_response(scene, SOURCE[None], points, frequencies, modes)[0]
    assert _apart(known, full) < 1e-3
    bare = summed(modes, SOURCE, points)
    assert _apart(bare + beyond(modes, SOURCE, points), full) < 0.05
    assert _apart(bare, full) > 1.5 * _apart(bare + beyond(modes, SOURCE, points), full)


def test_what_lies_beyond_the_basis_is_the_same_both_ways(modes):
    """One to many is solved for the fewer: reciprocity."""
    places = zone_about(modes, SEAT)
    one = modes.beyond(SOURCE[None], places)
    other = modes.beyond(places, SOURCE[None])
    np.testing.assert_allclose(one, other.T, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("plausible", [False, True])
def test_layouts_together_are_layouts_one_by_one(modes, plausible):
    """Four layouts that share places, against plain sums; in a plausible room things slip."""
    slip = np.array([[0.01, 0.0, -0.01], [0.0, 0.02, 0.0], [0.01, -0.01, 0.01]])
    room = Plausible(np.array([1.01, 0.99, 1.0]), modes.speed * 1.01, 0.5, slip)
    layouts = [
        Layout(None, 0.0, 0.0, 0.0, np.array(left), np.array(right), np.array(seat))
        for left, right, seat in (
            ([0.5, 0.45, 1.1], [1.5, 0.45, 1.1], [1.0, 1.5, 1.15]),
            ([0.5, 0.45, 1.1], [1.5, 0.45, 1.1], [1.0, 1.7, 1.15]),
            ([0.6, 0.45, 1.1], [1.4, 0.45, 1.1], [1.0, 1.5, 1.15]),
            ([0.6, 0.55, 1.3], [1.4, 0.55, 1.3], [0.9, 1.7, 1.25]),
        )
    ]
    fields = Fields(modes, layouts, ZONE)
    bass, sides = (
        np.array(t) for t in (fields.plausible([room]) if plausible else fields.nominal())
    )
    used, slip = (room, slip) if plausible else (None, NO_SLIP)
    for n, one in enumerate(layouts):
        points = zone_about(modes, one.seat)
        pressure = [
            summed(modes, end + slip[side], points + slip[2], used) + beyond(modes, end, points)
            for side, end in enumerate((one.left, one.right))
        ]
        expected = bass_terms(np.array(pressure))
        got = bass.reshape(-1, 4)[0, n], sides.reshape(-1, 4)[0, n]
        assert got == pytest.approx([float(each) for each in expected], abs=1e-6)


def test_scores_are_the_same_bits_on_any_number_of_threads(modes, monkeypatch):
    ends = np.array([0.5, 0.45, 1.1]), np.array([1.5, 0.45, 1.1])
    seats = (SEAT, SEAT + np.array([0.0, 0.2, 0.0]))
    layouts = [Layout(None, 0.0, 0.0, 0.0, *ends, seat) for seat in seats]
    rooms = plausible_rooms(modes.scene, 3, 1, 0.01)
    found = []
    for threads in (1, 3):
        monkeypatch.setattr("raysim.waves.threads.os.cpu_count", lambda n=threads: n)
        fields = Fields(modes, layouts, ZONE)
        found.append([*fields.nominal(), *fields.plausible(rooms)])
    for one, other in zip(*found, strict=True):
        np.testing.assert_array_equal(one, other)


def test_nothing_slips_through_a_wall(modes):
    """Loudspeakers 5 mm from a wall and a head in a corner, all to slip by 3 cm: still inside."""
    ends = np.array([0.005, 0.3, 1.1]), np.array([1.995, 0.3, 1.1])
    one = Layout(None, 0.0, 0.0, 0.0, *ends, np.array([1.0, 2.6 - 0.105, 1.15]))
    room = Plausible(
        np.ones(3), modes.speed, 0.0, np.array([[-0.03, 0, 0], [0.03, 0, 0], [0, 0.03, 0]])
    )
    bass, sides = Fields(modes, [one], ZONE).plausible([room])
    assert np.isfinite([bass, sides]).all()


def _apart(one, other):
    return np.sqrt((np.abs(one - other) ** 2).sum() / (np.abs(other) ** 2).sum())


def test_warm_air_moves_every_response_up(modes):
    """At the same wavenumber the rigid part is the same: a 2 % faster sound is 2 % higher."""
    frequencies = modes.frequencies_hz
    nominal = np.abs(inverse(modes)[:, 1, 1])
    warm = Plausible(np.ones(3), modes.speed * 1.02, 0.0, NO_SLIP)
    moved = np.abs(inverse(modes, warm)[:, 1, 1])
    assert frequencies[moved.argmax()] > frequencies[nominal.argmax()]


def test_zones_are_drawn_in_to_the_air(scene):
    """Half its size where a corner is outside, until it is inside; the head stays."""
    free, corner = SEAT, np.array([0.07, 2.56, 1.15])
    points = zone_points(scene, np.array([free, corner]), ZONE)
    np.testing.assert_allclose(np.ptp(points[0], axis=0), 2 * ZONE)
    np.testing.assert_allclose(points[1, 0], corner)
    assert points[1, :, 0].min() == pytest.approx(0.07 - 0.05)
    assert points[1, :, 2].min() == pytest.approx(1.05)
    assert [is_drawn_in(scene, seat, ZONE) for seat in (free, corner)] == [False, True]


def test_plausible_rooms_are_those_of_the_seed(scene):
    one, same, other = (plausible_rooms(scene, 3, seed, 0.01) for seed in (1, 1, 2))
    assert [r.speed for r in one] == [r.speed for r in same] != [r.speed for r in other]
    assert all(np.abs(r.slip_m).max() <= 0.01 for r in one)
    more = plausible_rooms(scene, 5, 1, 0.01)
    assert [r.speed for r in more[:3]] == [r.speed for r in one]
