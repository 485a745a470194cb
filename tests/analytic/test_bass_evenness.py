"""Evenness within the materials' ranges, estimated from the modes, against waves at the ends."""

import dataclasses

import pytest

from raysim.quantities.bass_evenness import evenness
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
def test_ends_of_the_range(boxes):
    believed, least = (evenness(*box) for box in boxes)
    far = least.value_db - believed.value_db
    assert far.min() > 4 * TOLERANCE_DB
    assert believed.at_ends_db[:, 0] == pytest.approx(least.value_db, abs=TOLERANCE_DB)
    assert (believed.at_ends_db[:, 1] < believed.value_db).all()
    assert (believed.range_db[:, 1] == believed.at_ends_db[:, 0]).all()
