"""A room that absorbs nothing: energy stays, or air alone takes it."""

import numpy as np
import pytest

from raysim.settings import BATCHES, Settings
from raysim.solvers.run import run
from tests.rooms import outline_room
from tests.statistical.late_decay import air, late_decay
from tests.statistical.significance import (
    assert_p_value,
    deviations,
    is_rejected,
    p_of_z,
)

OUTLINE = [(0, 0.6), (0.9, 0), (3.3, 0), (4.2, 0.6), (4.9, 4.8), (-0.7, 4.5)]
CEILING = [(x, y, 2.4 - 0.07 / 0.6 * y) for x, y in OUTLINE]


def room(bands_hz, scattering, **more):
    return outline_room(
        OUTLINE,
        CEILING,
        absorption=0.0,
        scattering=scattering,
        bands_hz=bands_hz,
        sources=[(1.3, 0.9, 1.25)],
        receivers=[(2.2, 2.1, 1.2), (0.6, 4.0, 1.0), (3.6, 3.3, 0.8), (2.1, 3.7, 1.1)],
        **more,
    )


@pytest.mark.parametrize("scattering", [(0.3, 0.3), (0.3, 0.7)])
def test_white_furnace(scattering):
    """Without absorption every bin from 50 ms to 350 ms holds 100 * 4 pi c dt / V, whatever the
    shape, scattering and hero weights. (At a scattering of 0.1 the room is not yet filled evenly:
    2.4 % less than that from 50 to 150 ms.)

    Negative control: 0.1 % absorbed at each reflection (some 25 of them at the end).
    """
    scene = room((63, 125), scattering)
    result = run(scene, Settings(rays=65536, seed=23, image_order=1, duration_s=0.35))
    speed = scene.climate.speed_of_sound
    pooled = result.energy_batches[:, 0, 0].mean(axis=1)[..., 50:].reshape(BATCHES, 2, 30, 10)
    energy = pooled.sum(axis=-1)
    steady = 100 * 4 * np.pi * speed * 10 * result.bin_s / scene.volume
    delay = np.mean(
        [np.linalg.norm(r.position - scene.sources[0].position) for r in scene.receivers]
    )
    middle = delay + speed * (0.05 + 0.01 * (np.arange(30) + 0.5))
    damping = np.exp(-np.array([air(scene, band) for band in (0, 1)])[:, None] * middle)
    total = energy.sum(axis=(1, 2))
    expected = (steady * damping).sum()
    assert_p_value("white furnace", p_of_z(float(deviations(total, expected)), BATCHES))
    assert total.mean() == pytest.approx(expected, rel=0.01)
    hits = middle * scene.area / (4 * scene.volume)
    wrong = (steady * damping * 0.999**hits).sum()
    assert is_rejected(p_of_z(float(deviations(total, wrong)), BATCHES))


def test_air_alone():
    """T = 6 ln 10 / (m c) at 8 kHz; negative control: m at 8000 Hz, not the exact midband."""
    scene = room((8000,), 0.3)
    start, gap, width = 20.0, 260.0, 40.0
    duration = (start + gap + width) / scene.climate.speed_of_sound
    settings = Settings(rays=65536, seed=29, image_order=1, duration_s=duration)
    result = run(scene, settings)
    rest, error = late_decay(result, start, width, gap)
    assert_p_value("air alone", p_of_z(rest / error, BATCHES))
    exact = air(scene, 0)
    assert (rest + exact) == pytest.approx(exact, rel=0.003)
    nominal = float(scene.climate.attenuation([8000.0])[0])
    assert is_rejected(p_of_z((rest + exact - nominal) / error, BATCHES))
