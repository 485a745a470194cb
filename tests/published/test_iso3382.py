"""ISO 3382 quantities of synthetic exponential decays: the standard's integrals in closed form."""

import numpy as np
import pytest

from raysim.theory import decay
from tests.results_made import exponential_energy

RANGES = decay.EVALUATION_RANGES_DB
BIN_S = 0.001


def closed_forms(time_s):
    """ISO 3382-1:2009 annex A with p^2 = exp(-6 ln 10 t / T) (published summary, computed)."""
    rate = 6 * np.log(10) / time_s
    return {
        "C50": 10 * np.log10(np.exp(0.050 * rate) - 1),
        "C80": 10 * np.log10(np.exp(0.080 * rate) - 1),
        "D50": 1 - np.exp(-0.050 * rate),
        "Ts": 1 / rate,
    }


def evaluated(time_s, bin_s=BIN_S, length=1.0):
    energy = exponential_energy(time_s, bin_s, round(length * time_s / bin_s))
    return {
        "C50": decay.clarity(energy, bin_s, 0.050),
        "C80": decay.clarity(energy, bin_s, 0.080),
        "D50": decay.definition(energy, bin_s),
        "Ts": decay.centre_time(energy, bin_s),
    }


def test_printed_values_at_0_3_s():
    """C50 9.54 dB, C80 15.89 dB, D50 0.900, Ts 21.7 ms at T = 0.3 s, to the printed digit.

    Source: published summary of ISO 3382-1 annex A, status 'computed' from its definitions.
    """
    values = evaluated(0.3)
    assert values["C50"] == pytest.approx(9.54, abs=0.005)
    assert values["C80"] == pytest.approx(15.89, abs=0.005)
    assert values["D50"] == pytest.approx(0.900, abs=0.0005)
    assert values["Ts"] == pytest.approx(0.0217, abs=0.00005)


@pytest.mark.parametrize("time_s", [0.15, 0.3, 0.8, 2.0])
def test_closed_forms(time_s):
    """Levels to rounding; the centre time to its stated bin_s^2 rate / 12."""
    expected, got = closed_forms(time_s), evaluated(time_s)
    for key in ("C50", "C80", "D50"):
        assert got[key] == pytest.approx(expected[key], abs=1e-9)
    assert got["Ts"] == pytest.approx(expected["Ts"], abs=1.01 * BIN_S**2 / 12 / expected["Ts"])


@pytest.mark.parametrize("key", RANGES)
@pytest.mark.parametrize("time_s", [0.15, 0.3, 0.8, 2.0])
@pytest.mark.parametrize("length", [0.76, 1.0, 2.0])
def test_lines_through_exponentials(key, time_s, length):
    """Every line gives T exactly, also where the histogram ends 10.6 dB below the range of T30."""
    energy = exponential_energy(time_s, BIN_S, round(length * time_s / BIN_S))
    assert decay.decay_time(energy, BIN_S, *RANGES[key]) == pytest.approx(time_s, rel=1e-9)


def test_without_the_tail_a_short_histogram_would_be_wrong():
    """Negative control: the plain backward sum at the same length is off by 0.7 %."""
    energy = exponential_energy(0.3, BIN_S, 228)
    plain = np.cumsum(energy[::-1])[::-1]
    level = 10 * np.log10(plain / plain[0])
    within = (level <= -5) & (level >= -35)
    slope = np.polyfit(np.flatnonzero(within) * BIN_S, level[within], 1)[0]
    assert abs(-60 / slope / 0.3 - 1) > 0.005


def test_clarity_and_definition_are_one():
    """C50 = 10 lg (D50 / (1 - D50)), an identity, on an uneven histogram."""
    rng = np.random.default_rng(3)
    energy = exponential_energy(0.4, BIN_S, 600) * rng.gamma(1.0, size=(5, 600))
    share = decay.definition(energy, BIN_S)
    identity = 10 * np.log10(share / (1 - share))
    np.testing.assert_allclose(decay.clarity(energy, BIN_S, 0.050), identity, atol=1e-9)


def test_strength_of_the_free_field():
    """A direct sound alone at 10 m has G = 0 dB, at 5 m 6.02 dB: definition of G."""
    energy = np.zeros((2, 100))
    energy[:, 0] = 100 / np.array([10.0, 5.0]) ** 2
    np.testing.assert_allclose(decay.strength_db(energy), [0, 20 * np.log10(2)], atol=1e-12)
