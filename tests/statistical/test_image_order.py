"""Each path is counted once: the sum doesn't depend on what images do and what rays do."""

import dataclasses
from pathlib import Path

import numpy as np

from raysim.scene.read import load_scene
from raysim.settings import BATCHES, Settings
from raysim.solvers.run import run
from tests.rooms import shoebox
from tests.statistical.significance import (
    assert_p_value,
    is_rejected,
    p_of_largest,
)

SCENE = Path(__file__).resolve().parents[2] / "scenes" / "control_room.toml"
LONG = {"rays": 4_000_000, "duration_s": 0.04}  # errors below 0.3 % in six bands
PORTIONS_S = (0.0, 0.004, 0.008, 0.015, 0.030, 0.060)


def mean_and_error(batches):
    return batches.mean(axis=0), batches.std(axis=0, ddof=1) / np.sqrt(len(batches))


def difference(one, other):
    """Deviation of two independent means in standard errors."""
    (a, error_a), (b, error_b) = mean_and_error(one), mean_and_error(other)
    return (a - b) / np.hypot(error_a, error_b)


def totals(result):
    """(batch, band) energy over sources, receivers and time."""
    return result.energy_batches[:, 0].sum(axis=(1, 2, 4))


def scattering_rises():
    """The shipped control room with scattering 0.05 to 0.6, rising by band on every surface."""
    scene = load_scene(SCENE)
    rising = np.linspace(0.05, 0.6, len(scene.bands_hz))
    materials = tuple(dataclasses.replace(m, scattering=rising) for m in scene.materials)
    return dataclasses.replace(scene, materials=materials)


def sums_of_orders(scene, orders, rays):
    """Independent runs, one an image order."""
    settings = Settings(duration_s=0.04, rays=rays)
    return [
        run(scene, dataclasses.replace(settings, seed=31 + order, image_order=order))
        for order in orders
    ]


def assert_sums_agree(results, largest_error):
    """Each total against the mean of the others, and a negative control: the second one's own
    first-order reflections counted twice.
    """
    sums = [totals(result) for result in results]
    for batches in sums:
        mean, error = mean_and_error(batches)
        assert (error / mean).max() < largest_error, (error / mean).max()

    def p_against_others(own, index):
        others = [batches for k, batches in enumerate(sums) if k != index]
        return p_of_largest(difference(own, sum(others) / len(others)), 2 * BATCHES - 1)

    for index, own in enumerate(sums):
        assert_p_value("sum over image orders", p_against_others(own, index))
    twice = sums[1] + sum(r.energy for r in results[1].reflections if r.order == 1)
    assert is_rejected(p_against_others(twice, 1))


def test_sum_is_that_of_any_image_order_where_no_edge_hides_the_sphere():
    """A box, whose images are seen from everywhere: orders 0 to 4, six bands."""
    scene = shoebox((5.0, 4.0, 3.0), {"floor": 0.5, "other": 0.1}, tuple(np.linspace(0.05, 0.6, 6)))
    assert_sums_agree(sums_of_orders(scene, range(5), 131072), 0.025)


def test_sum_is_that_of_any_image_order_in_the_control_room():
    """Desk, reveals and racks hide images from a part of the sphere; orders 0 to 4, six bands."""
    assert_sums_agree(sums_of_orders(scattering_rises(), range(5), 131072), 0.025)


def portions(result):
    """(batch, band, portion) energy of early and late windows, both sources together."""
    first = np.rint(np.array(PORTIONS_S) / result.bin_s).astype(int)
    return np.add.reduceat(result.energy_batches[:, 0].sum(axis=(1, 2)), first, axis=-1)


def one_band(scene, band):
    """The same room in one band."""
    keep = slice(band, band + 1)
    materials = tuple(
        dataclasses.replace(
            m,
            absorption=m.absorption[keep],
            scattering=m.scattering[keep],
            absorption_low=m.absorption_low[keep],
            absorption_high=m.absorption_high[keep],
        )
        for m in scene.materials
    )
    return dataclasses.replace(scene, bands_hz=scene.bands_hz[keep], materials=materials)


def test_bands_together_equal_each_band_alone():
    """Hero-band weights are unbiased: six bands on one trace, and a trace for each.

    Six windows to 120 ms, the last after some 20 reflections. Negative control: one band alone
    with surfaces that reflect 3 % less.
    """
    scene = scattering_rises()
    settings = Settings(rays=131072, seed=41, image_order=2, duration_s=0.12)
    together = portions(run(scene, settings))
    z, control = [], []
    for band in range(len(scene.bands_hz)):
        alone = one_band(scene, band)
        settings = dataclasses.replace(settings, seed=50 + band, rays=65536)
        z.append(difference(together[:, band], portions(run(alone, settings))[:, 0]))
        if band == 2:
            damped = tuple(
                dataclasses.replace(m, absorption=1 - 0.97 * (1 - m.absorption))
                for m in alone.materials
            )
            wrong = portions(run(dataclasses.replace(alone, materials=damped), settings))
            control.append(difference(together[:, band], wrong[:, 0]))
    assert_p_value("bands walked alone", p_of_largest(np.array(z), 2 * BATCHES - 1), f"{z}")
    assert is_rejected(p_of_largest(np.array(control), 2 * BATCHES - 1))
