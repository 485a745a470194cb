"""Spread of band levels against responses drawn at random: noise that decays exponentially."""

import numpy as np
import pytest

from raysim.theory.fluctuation import band_variance, level_deviation_db

RATE_HZ, LENGTH_S, DRAWS = 1024, 4.0, 4000


def band_squares(decay_s, low_hz, high_hz, known_share=0.0, seed=3):
    """(DRAWS,) mean squared pressures over a band, mean 1; a share of them from one known path."""
    generator = np.random.default_rng(seed)
    time = np.arange(round(RATE_HZ * LENGTH_S)) / RATE_HZ
    noise = generator.standard_normal((DRAWS, len(time)))
    response = np.fft.rfft(noise * 10 ** (-3 * time / decay_s))
    frequency = np.fft.rfftfreq(len(time), 1 / RATE_HZ)
    own = response[:, (frequency >= low_hz) & (frequency < high_hz)]
    own = own / np.sqrt((np.abs(own) ** 2).mean())
    return (np.abs(np.sqrt(1 - known_share) * own + np.sqrt(known_share)) ** 2).mean(axis=1)


@pytest.mark.parametrize(("decay_s", "width_hz"), [(0.3, 37), (0.44, 46), (0.44, 58), (1.0, 37)])
def test_variance_and_level(decay_s, width_hz):
    """4000 draws: the variance within 8 % (3 standard errors), the level within 4 + 3 %."""
    square = band_squares(decay_s, 160.0, 160.0 + width_hz)
    expected = band_variance(decay_s, width_hz)
    assert square.var() == pytest.approx(expected, rel=0.08)
    level = 10 * np.log10(square)
    assert level.std() == pytest.approx(level_deviation_db(expected), rel=0.07)


def test_a_known_part_steadies_the_level():
    square = band_squares(0.44, 160.0, 206.0, known_share=0.6)
    expected = level_deviation_db(band_variance(0.44, 46.0), random_share=0.4)
    assert (10 * np.log10(square)).std() == pytest.approx(expected, rel=0.1)


def test_limits():
    assert band_variance(0.5, 0.0) == pytest.approx(1.0, abs=1e-5)
    assert band_variance(1.0, 1e4) == pytest.approx(6.9e-4, rel=0.02)
    assert level_deviation_db(0.3, random_share=0.0) == 0
