"""Mirror-like boxes: the histogram is the image sum; its decay is far from any formula."""

import numpy as np
import pytest

from raysim.estimate import jackknife
from raysim.settings import BATCHES, Settings
from raysim.solvers.run import run
from tests.plain.lattice import histogram, images_to_length
from tests.plain.specular_box import decay_time, mean_decay
from tests.rooms import shoebox
from tests.statistical.late_decay import air, spread_points
from tests.statistical.significance import (
    assert_p_value,
    deviations,
    is_rejected,
    p_of_chi_square,
    p_of_largest,
)

WALLS = ("left", "right", "front", "rear", "floor", "ceiling")  # x=0, x=W, y=0, y=L, z=0, z=H
SIZE = (4.1, 5.2, 2.7)  # x, y, z
UNEVEN = (0.05, 0.15, 0.1, 0.3, 0.25, 0.4)


@pytest.mark.parametrize("order", [0, 2])
def test_every_bin_is_the_image_sum(order):
    """5 ms bins to 300 ms at one seat, uneven absorption, no scattering.

    Bins of which all paths are found by rays are exact, at least the first 30 ms.
    Of the others: largest deviation and sum of squares. Negative control: reflections 2 % weaker
    at every wall, which takes 9 % off the energy after ten.
    """
    source, receiver = (1.1, 0.8, 1.2), (2.6, 3.1, 1.35)
    scene = shoebox(
        (SIZE[1], SIZE[0], SIZE[2]),
        absorption=dict(zip(WALLS, UNEVEN, strict=True)),
        scattering=0.0,
        bands_hz=(1000,),
        sources=[source],
        receivers=[receiver],
    )
    settings = Settings(rays=524288, seed=11, image_order=order, duration_s=0.3)
    result = run(scene, settings)
    bins = result.energy_batches[:, 0, 0, 0, 0].reshape(BATCHES, 60, 5).sum(axis=-1)
    speed = scene.climate.speed_of_sound
    edges = np.arange(61) * 0.005
    images = images_to_length(SIZE, source, receiver, 0.31 * speed + 5)
    energy = images.energy(UNEVEN, 0.0, air(scene, 0))
    expected = histogram(images, energy, speed, edges)
    is_exact = bins.std(axis=0) < 1e-9 * expected
    assert is_exact[:6].all()
    np.testing.assert_allclose(bins.mean(axis=0)[is_exact], expected[is_exact], rtol=1e-9)
    z = deviations(bins, expected)[~is_exact]
    for p in (p_of_largest(z, BATCHES), p_of_chi_square(z, BATCHES)):
        assert_p_value("specular box bins", p, f"{z}")
    wrong = images.energy(1 - 0.98 * (1 - np.array(UNEVEN)), 0.0, air(scene, 0))
    z = deviations(bins, histogram(images, wrong, speed, edges))[~is_exact]
    assert is_rejected(p_of_largest(z, BATCHES))
    assert is_rejected(p_of_chi_square(z, BATCHES))


SOURCES = 8
CUBE, FLAT = (5.0, 5.0, 5.0), (7.0, 5.18, 2.74)
# EDT, T20, T30 in s at 343.2 m/s without air: computed from first principles by the direction
# average; independent particle runs agree within 2 standard errors of 0.02 to 0.14 %.
PUBLISHED = {
    (CUBE, (0.1,) * 6): (1.3059, 1.3474, 1.3716),
    (CUBE, (0.1, 0.1, 0.1, 0.1, 0.8, 0.1)): (0.7110, 1.0782, 1.1828),
    (FLAT, (0.3,) * 6): (0.3582, 0.4134, 0.4453),
    (FLAT, (0.1, 0.1, 0.1, 0.1, 0.8, 0.1)): (0.7349, 1.2707, 1.4254),
    (FLAT, (0.05, 0.05, 0.05, 0.05, 0.6, 0.6)): (1.3380, 2.5299, 2.8690),
}
RANGES = ((0.0, -10.0), (-5.0, -25.0), (-5.0, -35.0))


@pytest.mark.parametrize(("size", "absorption"), PUBLISHED)
def test_direction_average_gives_the_published_decay_times(size, absorption):
    """0.3 %: the published rows hold two reckonings of the same integral."""
    time_s = np.concatenate([np.linspace(0, 1.6 * PUBLISHED[size, absorption][2], 700)])
    fine = np.linspace(0, time_s[-1], 14000)
    level = np.log(mean_decay(size, absorption, time_s * 343.2, points=60))
    energy = np.exp(np.interp(fine, time_s, level))
    for (upper, lower), expected in zip(RANGES, PUBLISHED[size, absorption], strict=True):
        assert decay_time(fine, energy, upper, lower) == pytest.approx(expected, rel=0.003)


def ensemble(result, speed):
    """(batch, time) energy by time since emission, averaged over all pairs, without air.

    Each pair's histogram starts r/c after emission and its bins are moved there, divided between
    the two nearest.
    """
    scene = result.scene
    energy = result.energy_batches[:, 0, :, :, 0]
    bins = energy.shape[-1]
    total = np.zeros((BATCHES, bins))
    for i, source in enumerate(scene.sources):
        for j, receiver in enumerate(scene.receivers):
            late = np.linalg.norm(source.position - receiver.position) / speed / result.bin_s
            whole, part = int(late), late % 1
            for shift, share in ((whole, 1 - part), (whole + 1, part)):
                total[:, shift:] += share * energy[:, i, j, : bins - shift]
    middle = (np.arange(bins) + 0.5) * result.bin_s
    return total * np.exp(air(scene, 0) * speed * middle)


@pytest.mark.parametrize(
    ("size", "absorption"),
    [
        (FLAT, (0.3,) * 6),
        pytest.param(CUBE, (0.1, 0.1, 0.1, 0.1, 0.8, 0.1), marks=pytest.mark.slow),
        pytest.param(FLAT, (0.1, 0.1, 0.1, 0.1, 0.8, 0.1), marks=pytest.mark.slow),
        pytest.param(FLAT, (0.05, 0.05, 0.05, 0.05, 0.6, 0.6), marks=pytest.mark.slow),
    ],
)
def test_mirror_like_box_decays_as_the_direction_average(size, absorption):
    """EDT, T20, T30 of the mean over 8 sources and 100 receivers within 1 % + 3 errors."""
    x, y, z = size
    expected = PUBLISHED[size, absorption]
    scene = shoebox(
        (y, x, z),
        absorption=dict(zip(WALLS, absorption, strict=True)),
        scattering=0.0,
        bands_hz=(63,),
        sources=spread_points(SOURCES + 1000, size, margin=0.001)[1000:],
        receivers=spread_points(100, size, margin=0.03),
    )
    speed = scene.climate.speed_of_sound
    duration = 1.15 * expected[2]
    settings = Settings(rays=32768, seed=13, image_order=0, bin_s=0.002, duration_s=duration)
    result = run(scene, settings)
    time_s = np.arange(len(result.time_s)) * result.bin_s
    batches = ensemble(result, speed)
    for (upper, lower), published in zip(RANGES, expected, strict=True):
        value, error = jackknife(
            lambda energy, r=(upper, lower): np.array(decay_time(time_s, energy, *r)), batches
        )
        assert value * speed / 343.2 == pytest.approx(published, rel=0.01 + 3 * error / published)
