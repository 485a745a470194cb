"""Where the bass is looked at: the plan, the corners, the middle of the room."""

import dataclasses

import numpy as np
import pytest

from raysim.quantities import modes_of
from raysim.quantities.bass_modes import mode_in_words
from raysim.solvers.bass import compute_bass
from raysim.solvers.bass_places import places_of
from tests.results_made import exponential_result
from tests.rooms import outline_room, shoebox

SIZE = (4.2, 3.4, 2.4)
SEAT = (1.7, 1.64, 1.2)
SOURCES = ((1.1, 0.6, 1.2), (2.3, 0.6, 1.2))


def test_plan_is_a_grid_about_the_seat():
    places = places_of(shoebox(SIZE, receivers=(SEAT,)))
    at_seat = np.flatnonzero((places.cells == 0).all(axis=1))
    assert places.plan[at_seat] == pytest.approx(np.array([SEAT]))
    ahead = np.flatnonzero((places.cells == (0, 1)).all(axis=1))
    assert places.plan[ahead] == pytest.approx(np.array([[1.7, 1.39, 1.2]]))  # front is y = 0
    assert np.ptp(places.plan, axis=0) == pytest.approx([3.0, 4.0, 0.0], abs=1e-9)


def test_box_has_eight_corners_named_from_inside():
    places = places_of(shoebox(SIZE, receivers=(SEAT,)))
    named = dict(zip(places.names, places.corners.tolist(), strict=True))
    assert len(named) == 8
    assert named["front left, floor"] == pytest.approx([0.1, 0.1, 0.1])
    assert named["rear right, ceiling"] == pytest.approx([3.3, 4.1, 2.3])


def test_inner_corner_of_an_ell_is_none():
    """Its six outer edges give twelve corners less the two of the edge that juts out."""
    outline = [[0, 0], [5, 0], [5, 2], [3, 2], [3, 4], [0, 4]]
    places = places_of(outline_room(outline, receivers=((1.5, 1.5, 1.2),)))
    assert len(places.names) == 10
    assert len(set(places.names)) == 10


@pytest.fixture(scope="module")
def scene():
    """Nearly rigid; both sources and the seat at half the height, the seat half across."""
    return shoebox(SIZE, 0.01, sources=SOURCES, receivers=(SEAT,))


@pytest.fixture(scope="module")
def bass(scene):
    return compute_bass(scene, highest_hz=85.0)


def test_first_mode_of_a_rigid_box_is_louder_in_corners_than_on_average(scene, bass):
    """At an axial mode cos^2 is 1 in the corners and 1/2 on average: 3 dB, less 0.1 m off."""
    mode = int(np.abs(bass.frequency_hz - scene.climate.speed_of_sound / 2 / 4.2).argmin())
    square = np.abs(bass.field.corner[0, 0, :, mode]) ** 2 / bass.field.mean_square[0, 0, mode]
    expected = 2 * np.cos(np.pi * 0.1 / 4.2) ** 2
    assert 10 * np.log10(square.mean() / expected) == pytest.approx(0, abs=0.3)
    assert bass.field.middle_square[0, 0, mode] < 0.4 * bass.field.mean_square[0, 0, mode]
    at_seat = (bass.field.plan_cell == 0).all(axis=1)
    assert bass.field.plan[0, 0, at_seat] == pytest.approx(bass.response[0, 0], rel=1e-5)


def test_modes_of_the_box_in_words(scene, bass):
    """n c / 2L along each side, within 0.5 %; words from nodes at half the width and height."""
    result = dataclasses.replace(exponential_result(batches=4, duration_s=0.3), scene=scene)
    modes = modes_of(dataclasses.replace(result, bass=bass), bass)
    said = {m.kind: (m.frequency_hz, mode_in_words(m, ["L", "R"], ["seat"])) for m in modes}
    half = scene.climate.speed_of_sound / 2
    for kind, frequency, words in (
        ("along the length, 1st", half / 4.2, "driven by L and R; heard at seat"),
        (
            "across the width, 1st",
            half / 3.4,
            "driven by L and R in opposite phase: hardly by what they play alike; hardly heard at "
            "seat",
        ),
        (
            "floor to ceiling, 1st",
            half / 2.4,
            "hardly driven: L and R on its quiet spots; hardly heard at seat; move either and it "
            "appears",
        ),
    ):
        assert said[kind] == (pytest.approx(frequency, rel=5e-3), words)
