"""Diffuse-field formulas against a handbook's example and worked values."""

import numpy as np
import pytest

from raysim.theory import reverberation

FOOT_M = 0.3048
# The handbook computes with T = 0.049 V/A in feet, that is 24 ln 10 / c = 0.049 s/ft.
HANDBOOK_SPEED = 24 * np.log(10) / 0.049 * FOOT_M

# Everest, Master Handbook of Acoustics, sound absorption examples 1 and 2 (seen): a room of
# 23.3 x 16 x 10 ft, areas in square feet, coefficients at 125 Hz to 4 kHz, printed T in s.
AREAS_FT2 = np.array([373.0, 1159.0, 340.0])
COEFFICIENTS = np.array(
    [
        [0.01, 0.01, 0.015, 0.02, 0.02, 0.02],
        [0.29, 0.10, 0.05, 0.04, 0.07, 0.09],
        [0.09, 0.28, 0.78, 0.84, 0.73, 0.64],
    ]
)
PRINTED_S = (0.49, 0.85, 0.56, 0.54, 0.54, 0.55)
VOLUME_M3 = 3728 * FOOT_M**3


def test_handbook_example_treated():
    """Printed T of the treated room at six octaves, to the last digit."""
    time_s = reverberation.sabine_time(
        AREAS_FT2 * FOOT_M**2, COEFFICIENTS, VOLUME_M3, HANDBOOK_SPEED
    )
    np.testing.assert_allclose(time_s, PRINTED_S, atol=0.005)


def test_handbook_example_untreated():
    """Printed 0.54 s at 125 Hz and the peak of 3.39 s at 1 kHz (seen)."""
    time_s = reverberation.sabine_time(
        AREAS_FT2[:2] * FOOT_M**2, COEFFICIENTS[:2], VOLUME_M3, HANDBOOK_SPEED
    )
    assert time_s[0] == pytest.approx(0.54, abs=0.005)
    assert time_s[3] == pytest.approx(3.39, abs=0.005)


# Sizes (m), absorption of x0, xL, y0, yL, z0, zL; Sabine, Eyring and Kuttruff's free-path
# correction in s. Source: worked values computed apart from this program at 343.2 m/s without
# air; Kuttruff with the computed free-path variances 0.3450 (cube) and 0.3742.
WORKED = [
    ((5, 5, 5), (0.1, 0.1, 0.1, 0.1, 0.8, 0.1), 0.3450, (0.6193, 0.5495, 0.5737)),
    ((7, 5.18, 2.74), (0.1, 0.1, 0.1, 0.1, 0.8, 0.1), 0.3742, (0.4070, 0.3464, 0.3693)),
    ((7, 5.18, 2.74), (0.05, 0.05, 0.05, 0.05, 0.6, 0.6), 0.3742, (0.3415, 0.2801, 0.3034)),
    ((7, 5.18, 2.74), (0.9, 0.05, 0.05, 0.05, 0.05, 0.05), 0.3742, (0.8408, 0.7819, 0.8040)),
    ((7, 5.18, 2.74), (0.3,) * 6, 0.3742, (0.3829, 0.3221, 0.3451)),
    ((5, 5, 5), (0.9, 0.05, 0.05, 0.05, 0.05, 0.05), 0.3450, (0.7001, 0.6306, 0.6546)),
    ((5, 5, 5), (0.05, 0.05, 0.05, 0.05, 0.6, 0.6), 0.3450, (0.5751, 0.5050, 0.5293)),
]


@pytest.mark.parametrize(("size", "alpha", "variance", "expected"), WORKED)
def test_worked_values(size, alpha, variance, expected):
    """Seven rooms, three formulas, to the last printed digit."""
    x, y, z = size
    areas = np.array([y * z, y * z, x * z, x * z, x * y, x * y])
    room = (areas, np.array(alpha)[:, None], x * y * z, 343.2)
    got = (
        reverberation.sabine_time(*room)[0],
        reverberation.eyring_time(*room)[0],
        reverberation.kuttruff_time(*room, path_variance=variance)[0],
    )
    np.testing.assert_allclose(got, expected, atol=0.000051)


def test_kuttruff_in_a_sphere():
    """Within 0.15 % of the exact Lambert sphere at alpha 0.3: T_Kuttruff/T_exact 1.001465.

    Exact: 1/(1 - a) = 2 (e^x (x - 1) + 1)/x^2, x = 0.523852, T = 6 ln 10 * 2R/(x c)
    (Carroll & Chien 1977; equation derived from the chord law; computed).
    """
    radius, speed = 2.0, 343.2
    exact = 6 * np.log(10) * 2 * radius / (0.523852 * speed)
    area, volume = 4 * np.pi * radius**2, 4 / 3 * np.pi * radius**3
    got = reverberation.kuttruff_time([area], [[0.3]], volume, speed, path_variance=0.125)[0]
    assert got / exact == pytest.approx(1.001465, abs=5e-6)
    eyring = reverberation.eyring_time([area], [[0.3]], volume, speed)[0]
    assert exact / eyring == pytest.approx(1.021304, abs=5e-6)


def test_schroeder_relations():
    """r_c = 0.057 sqrt(V/T) and r_c^2 = 3/(8 pi) (c/f)^2 at f = sqrt(6 c^2 / A).

    Schroeder 1996, equations 5 to 9 (seen). f is 2095 sqrt(T/V), which is printed as 2000.
    """
    time_s, volume, speed = 0.4, 60.0, 343.2
    distance = reverberation.critical_distance(time_s, volume, speed)
    assert distance == pytest.approx(0.057 * np.sqrt(volume / time_s), rel=0.01)
    beaming = reverberation.critical_distance(time_s, volume, speed, [6.0206, 20.0])
    assert beaming == pytest.approx([2 * distance, 10 * distance], rel=1e-5)
    frequency = reverberation.schroeder_frequency(time_s, volume) * 2095 / 2000
    wavelength = speed / frequency
    assert distance**2 == pytest.approx(3 / (8 * np.pi) * wavelength**2, rel=0.001)


def test_input_range_adds_independent_errors():
    """Two materials of equal weight widen the decay time by sqrt(2) of one, in logarithms."""
    room = (60.0, 343.2)
    middle, low = np.full((2, 1), 0.10), np.full((2, 1), 0.08)
    areas = np.array([50.0, 50.0])
    shorter, longer = reverberation.eyring_range(areas, middle, low, middle, *room)
    alone = reverberation.eyring_time(areas, [[0.08], [0.10]], *room) / (
        reverberation.eyring_time(areas, middle, *room)
    )
    assert shorter == pytest.approx(1.0)
    assert np.log(longer) == pytest.approx(np.sqrt(2) * np.log(alone))
