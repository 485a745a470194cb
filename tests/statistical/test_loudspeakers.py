"""Rays and exact images leave a loudspeaker alike, and with its power."""

import dataclasses

import numpy as np
import pytest

from raysim.loudspeakers.cabinet import Cabinet, directivity_of
from raysim.settings import BATCHES, Settings
from raysim.solvers.run import run
from tests.rooms import shoebox
from tests.statistical.late_decay import air
from tests.statistical.significance import (
    assert_p_value,
    deviations,
    is_rejected,
    p_of_largest,
    p_of_z,
)
from tests.statistical.test_steady_field import room

MONITOR = Cabinet((0.21, 0.28, 0.34), (0.15, 0.025), (2200.0,))


def with_monitor(scene, aim):
    """The scene, its source a two-way loudspeaker with this aim."""
    directivity = directivity_of(MONITOR, scene.bands_hz, scene.climate.speed_of_sound)
    aim = np.array(aim) / np.linalg.norm(aim)
    source = dataclasses.replace(scene.sources[0], aim=aim, directivity=directivity)
    return dataclasses.replace(scene, sources=(source,))


def test_power_of_a_loudspeaker_in_the_white_furnace():
    """Without absorption the steady field is that of an omni source times the mean energy: it
    falls by the directivity index. Detects 0.5 % of the power.

    Negative control: the omnidirectional field, and 2 % more power.
    """
    scene = with_monitor(room((1000, 4000), (0.3, 0.3)), (0.6, 0.7, -0.2))
    result = run(scene, Settings(rays=65536, seed=5, image_order=1, duration_s=0.25))
    energy = result.energy_batches[:, 0, 0].mean(axis=1)[..., 50:].reshape(BATCHES, 2, 20, 10)
    speed = scene.climate.speed_of_sound
    steady = 100 * 4 * np.pi * speed * 10 * result.bin_s / scene.volume
    delay = np.mean(
        [np.linalg.norm(r.position - scene.sources[0].position) for r in scene.receivers]
    )
    middle = delay + speed * (0.05 + 0.01 * (np.arange(20) + 0.5))
    kept = np.exp(-np.array([air(scene, band) for band in (0, 1)])[:, None] * middle).sum(axis=1)
    share = scene.sources[0].directivity.mean_energy
    assert share.max() < 0.5
    for band in (0, 1):
        total = energy[:, band].sum(axis=(1, 2))
        expected = steady * kept[band] * share[band]
        p = p_of_z(float(deviations(total, expected)), BATCHES)
        assert_p_value("loudspeaker in the white furnace", p)
        assert total.mean() == pytest.approx(expected, rel=0.01)
        for wrong in (steady * kept[band], 1.02 * expected):
            assert is_rejected(p_of_z(float(deviations(total, wrong)), BATCHES))


def test_sum_does_not_depend_on_the_image_order():
    """What images give of the first 20 ms, rays give too, also behind the cabinet.

    Negative control: images that forget the directivity.
    """
    scene = with_monitor(
        shoebox(
            (4.0, 3.0, 2.5),
            0.3,
            0.1,
            [(1.0, 1.0, 1.2)],
            [(2.0, 2.5, 1.3)],
            bands_hz=(1000, 4000),
        ),
        (0.3, 1.0, 0.0),
    )
    settings = Settings(rays=131072, seed=9, duration_s=0.1)
    few, many = (run(scene, dataclasses.replace(settings, image_order=n)) for n in (1, 4))
    both = [r.energy_batches[:, 0, 0, 0, :, :20].sum(axis=-1) for r in (few, many)]
    z = deviations(both[0] - both[1], 0.0)
    assert_p_value("loudspeaker over image orders", p_of_largest(z, BATCHES))
    omni = dataclasses.replace(scene.sources[0], directivity=None)
    plain = run(
        dataclasses.replace(scene, sources=(omni,)), dataclasses.replace(settings, image_order=4)
    )
    exact = [
        np.sum([r.energy for r in of.reflections if 1 < r.order and r.delay_s < 0.02], axis=0)
        for of in (many, plain)
    ]
    assert is_rejected(
        p_of_largest(deviations(both[0] - both[1] + exact[0] - exact[1], 0.0), BATCHES)
    )
