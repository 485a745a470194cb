"""Loudspeakers: the cap on a sphere, its tables, and what exact paths take from them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from raysim.kernels.emission import Emission
from raysim.loudspeakers.cabinet import Cabinet, directivity_of
from raysim.loudspeakers.cap import cap_pressure, equal_sphere_m, piston_pressure
from raysim.loudspeakers.directivity import (
    AHEAD,
    AZIMUTHS_DEG,
    ELEVATIONS_DEG,
    SHAPE,
    Directivity,
    directions,
    grid,
)
from raysim.solvers.early import find_reflections
from raysim.solvers.emission import emission_of, energy_towards
from raysim.solvers.pack import pack
from tests.plain.cap import far_pressure
from tests.rooms import shoebox

SPEED = 343.0
ANGLES = np.radians([0.0, 10, 20, 45, 70, 90, 110, 135, 160, 170, 180])
BANDS = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)
BIG = Cabinet((0.30, 0.35, 0.45), (0.20,))
TWO_WAY = Cabinet((0.21, 0.28, 0.34), (0.15, 0.025), (2200.0,))


@pytest.mark.parametrize(
    ("driver_m", "frequency_hz"),
    [(0.1, 20), (0.1, 125), (0.075, 1000), (0.1, 4000), (0.075, 16000), (0.0125, 16000)],
)
def test_series_is_the_boundary_integral(driver_m, frequency_hz):
    """Both are sums of a few hundred terms of order 1: 1e-9 is far above their rounding."""
    k = 2 * np.pi * frequency_hz / SPEED
    radius = equal_sphere_m((0.21, 0.28, 0.34))
    series = cap_pressure(k, driver_m, radius, ANGLES)[0]
    integral = far_pressure(k, driver_m, radius, ANGLES, terms=250, nodes=250)
    np.testing.assert_allclose(series, integral, atol=1e-9)


def test_flat_baffle_is_the_limit_of_a_large_sphere():
    """2 J1(x)/x where ka is at least 3 and the cap is flat: k a^2/(2R) below 0.02.

    The difference falls at least as 1/R. It is the leak round the sphere and the cap's curvature.
    """
    angle, worst = np.radians(np.linspace(0, 60, 31)), []
    for sphere_m in (5.0, 20.0):
        for ka in (3.0, 6.0):
            cap = np.abs(cap_pressure(ka / 0.1, 0.1, sphere_m, angle)[0])
            piston = np.abs(piston_pressure(ka / 0.1, 0.1, angle)[0])
            worst.append(np.abs(cap - piston).max())
    assert max(worst[2:]) < 2e-4
    assert np.all(np.array(worst[2:]) < np.array(worst[:2]) / 4)


def test_piston_is_3_db_down_and_silent_where_tables_say():
    """2 J1(x)/x: 1/sqrt(2) at x = 1.616 and first zero 3.8317 (Abramowitz, Stegun, table 9.5)."""
    sine = np.array([1.61634, 3.83171]) / 10
    half, nothing = piston_pressure(100.0, 0.1, np.arcsin(sine))[0]
    assert half == pytest.approx(np.sqrt(0.5), abs=2e-6)
    assert nothing == pytest.approx(0.0, abs=2e-6)


def test_rear_of_a_20_cm_driver():
    """Long waves go round the cabinet, short ones don't."""
    angle, level = directivity_of(BIG, BANDS, SPEED).horizontal_db
    rear = dict(zip(BANDS, level[list(angle).index(180.0)], strict=True))
    assert -1.0 < rear[125.0] < 0.0
    assert rear[4000.0] < -15.0


def test_index_is_the_integral_over_the_sphere():
    """Gauss quadrature of the field itself; 5 degrees of a table cost less than 0.05 dB."""
    cosine, weight = np.polynomial.legendre.leggauss(200)
    radius = equal_sphere_m(BIG.size_m)
    for band, index in zip(BANDS, directivity_of(BIG, BANDS, SPEED).index_db, strict=True):
        half = 10 ** (3 / 20)
        middle = 1000 * 10 ** (0.3 * round(np.log10(band / 1000) / 0.3))
        frequency = middle * half ** np.linspace(-0.999, 0.999, 201)
        pressure = cap_pressure(2 * np.pi * frequency / SPEED, 0.1, radius, np.arccos(cosine))
        mean = (np.abs(pressure) ** 2).mean(axis=0) @ weight / 2
        assert index == pytest.approx(-10 * np.log10(mean), abs=0.05), band


def test_mean_is_that_of_what_the_kernel_gives():
    """Mean over directions on a grid 20 times finer than the table's, whose error is 1e-5."""
    table = directivity_of(TWO_WAY, BANDS, SPEED)
    azimuth = np.arange(0, 360, 2.5) + 1.25
    elevation = np.arange(-90, 90, 0.25) + 0.125
    ways = directions(azimuth[:, None], elevation[None, :]).reshape(-1, 3)
    weight = np.tile(np.cos(np.radians(elevation)), len(azimuth))
    energy = energy_towards(Emission(table.energy[None], np.eye(3)[None]), 0, ways)
    mean = weight @ energy / weight.sum()
    np.testing.assert_allclose(mean, table.mean_energy, rtol=2e-5)


def test_kernel_gives_the_table_at_its_angles_and_ones_for_omni():
    rng = np.random.default_rng(1)
    table = rng.uniform(0.1, 1, (*SHAPE, 2))
    table[:, [0, -1]] = table[:1, [0, -1]]
    emission = Emission(np.stack([table, np.ones_like(table)]), np.stack([np.eye(3)] * 2))
    got = energy_towards(emission, 0, grid().reshape(-1, 3)).reshape(*SHAPE, 2)
    np.testing.assert_allclose(got, table, atol=1e-12)
    anywhere = rng.normal(size=(1000, 3))
    anywhere /= np.linalg.norm(anywhere, axis=1, keepdims=True)
    assert (energy_towards(emission, 1, anywhere) == 1).all()
    between = directions(np.array([357.5]), np.array([2.5]))
    corners = table[[71, 71, 0, 0], [18, 19, 18, 19]].mean(axis=0)
    np.testing.assert_allclose(energy_towards(emission, 0, between)[0], corners, atol=1e-12)


@pytest.mark.parametrize("handedness", [-1, 1])
def test_right_is_the_listeners_right_in_either_hand(handedness):
    """A lobe at azimuth 90 goes to the right of somebody behind the cabinet, one at 90 up, up."""
    scene = shoebox(handedness=handedness)
    energy = np.full((*SHAPE, 6), 0.01)
    energy[AHEAD] = 1.0
    energy[list(AZIMUTHS_DEG).index(90.0), AHEAD[1]] = 0.5
    energy[:, list(ELEVATIONS_DEG).index(90.0)] = 0.25
    for aim in ([0.0, 1.0, 0.0], [0.6, -0.8, 0.0]):
        source = dataclasses.replace(
            scene.sources[0], aim=np.array(aim), directivity=Directivity(energy, "invented")
        )
        emission = emission_of(dataclasses.replace(scene, sources=(source,)))
        right = scene.right_of(np.array(aim))
        ways = np.stack([np.array(aim), right, [0, 0, 1.0], -right])
        got = energy_towards(emission, 0, ways)[:, 0]
        np.testing.assert_allclose(got, [1, 0.5, 0.25, 0.01], atol=1e-9)


@pytest.mark.parametrize("aim", [(0, 0, 1), (0, 0, -1), (0.6, 0, 0.8), (1, 0, 0)])
@pytest.mark.parametrize("handedness", [-1, 1])
def test_frames_are_square_and_stand_upright(aim, handedness):
    scene = shoebox(handedness=handedness)
    frame = scene.frame_of(dataclasses.replace(scene.sources[0], aim=np.array(aim, float)))
    np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(frame) == pytest.approx(-handedness)
    assert frame[2, 2] >= -1e-12
    assert frame[1, 2] == pytest.approx(0)


def test_exact_paths_take_the_direction_in_which_they_leave():
    """Direct sound and one image against a hand calculation: cardioid, aimed at +y."""
    cosine = grid()[..., 0]
    cardioid = np.repeat((((1 + cosine) / 2) ** 2)[..., None], 6, axis=2)
    room = shoebox((4.0, 3.0, 2.5), 0.2, 0.0, [(1.0, 1.0, 1.2)], [(2.0, 2.5, 1.3)])
    source = dataclasses.replace(room.sources[0], directivity=Directivity(cardioid, "invented"))
    omni, beamed = room, dataclasses.replace(room, sources=(source,))
    plain, shaped = (
        {r.facets: r for r in find_reflections(s, pack(s, 0.2), 1, 100.0)} for s in (omni, beamed)
    )
    ways = {"front": (1.0, -3.5, 0.1), "floor": (1.0, 1.5, -2.5), "rear": (1.0, 4.5, 0.1)}
    seen = 0
    for facets, path in shaped.items():
        name = room.surfaces[room.facets[facets[0]].surface].name if facets else ""
        way = np.array({"": (1.0, 1.5, 0.1), **ways}.get(name, np.full(3, np.nan)))
        if np.isnan(way).any():
            continue
        # Bilinear on 5 degrees: the second derivative, at most 1, times (5 deg)^2/8, each way.
        expected = ((1 + way[1] / np.linalg.norm(way)) / 2) ** 2
        ratio = path.energy / plain[facets].energy
        np.testing.assert_allclose(ratio, expected, atol=2 * np.radians(5) ** 2 / 8)
        seen += 1
    assert seen == 4
    assert shaped[()].level_db == pytest.approx(np.zeros(6), abs=1e-9)


def test_crossovers_sum_to_one_and_halve_at_their_frequency():
    three_way = Cabinet((0.3, 0.3, 0.6), (0.25, 0.1, 0.025), (350.0, 2800.0))
    frequency = np.geomspace(20, 20000, 301)
    np.testing.assert_allclose(three_way.weights(frequency).sum(axis=0), 1.0, atol=1e-14)
    low, middle, _ = three_way.weights(np.array([350.0]))[:, 0]
    assert low == 0.5
    # 24 dB an octave: two octaves above the crossover the lower driver is 48.2 dB down.
    assert 20 * np.log10(three_way.weights(np.array([1400.0]))[0, 0]) == pytest.approx(
        -48.2, abs=0.05
    )
    assert middle == pytest.approx(0.5, abs=0.5 * (350 / 2800) ** 4)


def test_a_tweeter_widens_what_a_woofer_alone_would_beam():
    one = directivity_of(
        dataclasses.replace(TWO_WAY, diameters_m=(0.15,), crossovers_hz=()), BANDS, SPEED
    )
    two = directivity_of(TWO_WAY, BANDS, SPEED)
    assert two.index_db[-1] < one.index_db[-1] - 3
    np.testing.assert_allclose(two.index_db[:2], one.index_db[:2], atol=0.01)
