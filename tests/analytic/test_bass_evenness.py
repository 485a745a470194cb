"""Evenness within the materials' ranges, estimated from the modes, against waves at the ends."""

import dataclasses

import numpy as np
import pytest

from raysim.quantities.bass_evenness import evenness
from raysim.quantities.bass_levels import band_squares, level_db, third_octaves_of
from raysim.quantities.bass_ranges import responses_at_ends, seat_range_db
from raysim.quantities.dips import depth_db
from raysim.solvers.bass import compute_bass
from tests.results_made import exponential_result
from tests.rooms import shoebox

FACTOR = 1.5
TOLERANCE_DB = 0.1  # the change itself is 0.8


@pytest.fixture(scope="module")
def boxes():
    """A box whose walls absorb as believed, and least, each with its bass."""
    made = exponential_result(bass=True, batches=4, duration_s=0.3, noise=0.0)
    found = []
    for absorption in (0.12, 0.12 / FACTOR):
        scene = shoebox(
            (3.9, 3.1, 2.4),
            absorption,
            sources=((0.8, 0.6, 1.1), (2.3, 0.6, 1.1)),
            receivers=((1.4, 1.7, 1.1), (1.0, 2.6, 1.1)),
        )
        [one, *_] = scene.materials
        material = dataclasses.replace(
            one, absorption_low=one.absorption / FACTOR, absorption_high=one.absorption * FACTOR
        )
        surfaces = tuple(dataclasses.replace(s, material=0) for s in scene.surfaces)
        scene = dataclasses.replace(scene, materials=(material,), surfaces=surfaces)
        found.append((dataclasses.replace(made, scene=scene), compute_bass(scene, highest_hz=185)))
    return found


@pytest.mark.slow
def test_levels_and_holes_at_the_end_of_the_range(boxes):
    """Thirds move by up to 2.9 dB and holes deepen by up to 3.6 dB; the estimate finds both."""
    (believed, bass), (_, least) = boxes
    at_ends = responses_at_ends(believed, bass)
    frequency, thirds = bass.frequency_hz, third_octaves_of(bass)
    now, found, true = (
        np.abs(each) ** 2 for each in (bass.response[0], at_ends[0], least.response[0])
    )
    levels = [level_db(band_squares(frequency, each, thirds)) for each in (now, found, true)]
    assert np.abs(levels[2] - levels[0]).max() > 2.5
    assert levels[1] == pytest.approx(levels[2], abs=0.25)
    low, high = seat_range_db(bass, at_ends)
    assert (low <= levels[0]).all()
    assert (high >= levels[1]).all()
    deepest = depth_db(frequency, now).argmax(axis=-1)[..., None]
    depths = [
        np.take_along_axis(depth_db(frequency, each), deepest, axis=-1)
        for each in (now, found, true)
    ]
    assert (depths[2] - depths[0]).max() > 3
    assert depths[1] == pytest.approx(depths[2], abs=0.6)


@pytest.mark.slow
def test_ends_of_the_range(boxes):
    believed, least = (evenness(*box) for box in boxes)
    far = least.value_db - believed.value_db
    assert far.min() > 4 * TOLERANCE_DB
    assert believed.at_ends_db[:, 0] == pytest.approx(least.value_db, abs=TOLERANCE_DB)
    assert (believed.at_ends_db[:, 1] < believed.value_db).all()
    assert (believed.range_db[:, 1] == believed.at_ends_db[:, 0]).all()
