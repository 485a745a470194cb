"""Derivatives of quantities against differences of the quantities themselves."""

import numpy as np
import pytest

from raysim.theory.decay import EVALUATION_RANGES_DB, decay_time
from raysim.theory.slopes import decay_time_slope, level_slope

BIN_S = 0.001
TIME_S = np.arange(900) * BIN_S


def histogram():
    """A little curved and rough, as from a trace."""
    random = np.random.default_rng(5)
    return (np.exp(-TIME_S / 0.05) + 0.05 * np.exp(-TIME_S / 0.1)) * random.uniform(0.7, 1.3, 900)


@pytest.mark.parametrize("quantity", ["EDT", "T20", "T30"])
def test_decay_time_slope_is_that_of_small_changes(quantity):
    energy = histogram()
    slope = decay_time_slope(energy, BIN_S, quantity)
    change = 1e-6 * np.cos(TIME_S * 40) * energy
    limits = EVALUATION_RANGES_DB[quantity]
    more, less = (decay_time(energy + way * change, BIN_S, *limits) for way in (1, -1))
    assert (slope * change).sum() == pytest.approx((more - less) / 2, rel=1e-5)


def test_scaling_a_histogram_changes_no_decay_time():
    energy = histogram()
    slope = decay_time_slope(energy, BIN_S)
    assert abs((slope * energy).sum()) < 1e-12


def test_level_slope():
    energy = histogram()
    slope = level_slope(energy, 0, 15)
    change = 1e-6 * energy * np.sin(TIME_S * 300)
    more, less = (10 * np.log10((energy + way * change)[:15].sum()) for way in (1, -1))
    assert (slope * change).sum() == pytest.approx((more - less) / 2, rel=1e-6)
    assert slope[15:].max() == 0.0
