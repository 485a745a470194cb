"""ISO 11654 and ASTM C423 on worked examples."""

import numpy as np
import pytest

from raysim.surfaces.ratings import (
    noise_reduction_coefficient,
    practical_absorption,
    sound_absorption_average,
    weighted_absorption,
)


@pytest.mark.parametrize(
    ("octaves", "rating", "absorption_class"),
    [
        # Worked by hand with the procedure of ISO 11654:1997.
        ([0.55, 0.85, 0.95, 0.90, 0.85], "0.85", "B"),
        ([0.20, 0.45, 0.85, 0.95, 0.90], "0.45(MH)", "D"),
        # The reference curve itself, and its unfavourable sum of 0.10 and of 0.15.
        ([0.80, 1.00, 1.00, 1.00, 0.90], "1.00", "A"),
        ([0.75, 0.95, 1.00, 1.00, 0.90], "1.00", "A"),
        ([0.75, 0.95, 0.95, 1.00, 0.90], "0.95", "A"),
        # 0.25 above the curve moved to 0.35 makes a letter, 0.20 doesn't.
        ([0.40, 0.35, 0.35, 0.35, 0.25], "0.35(L)", "D"),
        ([0.35, 0.35, 0.35, 0.35, 0.25], "0.35", "D"),
        ([0.0] * 5, "0.00", "none"),
        ([0.15] * 5, "0.15", "E"),
    ],
)
def test_weighted_absorption(octaves, rating, absorption_class):
    found = weighted_absorption(octaves)
    assert str(found) == rating
    assert found.absorption_class == absorption_class


def test_practical_coefficients_round_half_up_and_stop_at_1():
    # 0.925 rounds to 0.95 (ISO 11654:1997, 4.1).
    np.testing.assert_array_equal(
        practical_absorption([0.925, 0.924, 0.675, 1.18]), [0.95, 0.90, 0.70, 1.00]
    )


def test_noise_reduction_coefficient():
    """Heavy carpet on concrete 0.06 0.14 0.37 0.60 at 250 Hz to 2 kHz: 0.2925, printed 0.29."""
    assert noise_reduction_coefficient([0.06, 0.14, 0.37, 0.60]) == 0.30
    assert noise_reduction_coefficient([0.325] * 4) == pytest.approx(0.35)


def test_sound_absorption_average():
    assert sound_absorption_average(np.linspace(0.2, 1.0, 12)) == 0.6
    assert sound_absorption_average([0.126] * 12) == 0.13
