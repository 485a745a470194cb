"""The same seed gives the same bits, however the work is divided."""

import dataclasses

import numpy as np
from threadpoolctl import threadpool_limits

from raysim.settings import Settings
from raysim.solvers.bass import compute_bass
from raysim.solvers.run import run
from tests.rooms import shoebox


def scene():
    return shoebox(
        scattering=(0.1, 0.4),
        bands_hz=(500, 2000),
        sources=[(1.0, 1.0, 1.2), (2.2, 0.9, 1.4)],
        receivers=[(2.0, 2.5, 1.3), (0.8, 3.1, 1.1)],
    )


def test_one_thread_and_two():
    one, two = (
        run(scene(), Settings(rays=16384, seed=8, duration_s=0.2, threads=count))
        for count in (1, 2)
    )
    np.testing.assert_array_equal(one.energy_batches, two.energy_batches)
    other = run(scene(), Settings(rays=16384, seed=9, duration_s=0.2))
    assert np.any(other.energy_batches != one.energy_batches)


def test_bass_on_one_thread_and_two():
    """Of the linear algebra; another mesh would differ in its number of unknowns."""
    outcomes = []
    for count in (1, 2):
        with threadpool_limits(count):
            outcomes.append(compute_bass(scene(), highest_hz=220.0))
    one, two = map(dataclasses.asdict, outcomes)
    assert one.keys() == two.keys()
    for name in one:
        np.testing.assert_equal(one[name], two[name], err_msg=name)


def test_extended_equals_uninterrupted():
    """8192 rays, then on to 32768, against 32768 at once."""
    at_once = run(scene(), Settings(rays=32768, seed=8, duration_s=0.2))
    part = run(scene(), Settings(rays=8192, seed=8, duration_s=0.2))
    whole = run(scene(), Settings(rays=32768, seed=8, duration_s=0.2), extend=part)
    np.testing.assert_array_equal(whole.energy_batches, at_once.energy_batches)
    assert (whole.rays, whole.rounds) == (at_once.rays, at_once.rounds)
    assert whole.reflection_count == at_once.reflection_count
    assert np.any(part.energy_batches != whole.energy_batches)


def test_no_ray_is_lost():
    assert run(scene(), Settings(rays=32768, seed=8, duration_s=0.2)).lost_rays == 0
