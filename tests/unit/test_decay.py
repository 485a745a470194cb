"""Where decay quantities are undefined and why, and the small print of bins."""

import numpy as np
import pytest

from raysim.theory import decay
from tests.results_made import exponential_energy

BIN_S = 0.001


def reason(energy, upper, lower, bin_s=BIN_S):
    line = decay.fit_line(energy, bin_s, upper, lower)
    assert np.isnan(line.time_s) == (line.code != decay.DEFINED)
    return decay.line_reason(int(line.code), upper, lower)


def test_reasons():
    falling = exponential_energy(0.3, BIN_S, 300)
    assert reason(falling, -5, -25) == ""
    assert reason(np.zeros(300), -5, -25) == "no sound arrives here"
    assert "does not decay" in reason(np.ones(300), -5, -25)
    assert "ends before the decay reaches -45 dB" in reason(falling[:220], -5, -35)
    assert reason(falling[:230], -5, -35) == ""
    dominated = falling.copy()
    dominated[0] += 20.0
    assert "direct sound dominates" in reason(dominated, 0, -10)
    assert "fewer than 4 bins" in reason(exponential_energy(0.3, 0.05, 6), 0, -10, 0.05)


def test_direct_sound_does_not_bend_the_early_decay_time():
    """The point at time 0 lies on top of the jump; with it EDT would hang on the bin width.

    Direct sound as strong as the exponential tail: in the limit of narrow bins the line through
    0 to -10 dB is that through the tail from -3 dB on, so EDT = T for any bin.
    """
    for bin_s in (0.0005, 0.001, 0.002):
        energy = exponential_energy(0.3, bin_s, round(0.3 / bin_s))
        energy[0] += 1.0
        assert decay.decay_time(energy, bin_s, 0, -10) == pytest.approx(0.3, rel=1e-9)
        level = decay.decay_level_db(energy)
        within = level >= -10
        slope = np.polyfit(np.flatnonzero(within) * bin_s, level[within], 1)[0]
        assert abs(-60 / slope / 0.3 - 1) > 0.02


def test_two_slopes_give_two_times():
    """A tail of a longer decay shows in T30 before T20 and not in EDT: curvature is positive."""
    energy = exponential_energy(0.2, BIN_S, 900) + 0.003 * exponential_energy(0.9, BIN_S, 900)
    early, t20, t30 = (
        decay.decay_time(energy, BIN_S, *r) for r in ((0, -10), (-5, -25), (-5, -35))
    )
    assert 0.2 < early < t20 < t30 < 0.9
    assert early < 0.21


def test_elementwise_over_leading_axes():
    rng = np.random.default_rng(0)
    energy = exponential_energy(0.3, BIN_S, 300) * rng.gamma(1.0, size=(2, 3, 300))
    direct = np.full((2, 3), 1e-4)
    together = [
        decay.decay_time(energy, BIN_S, -5, -25),
        decay.clarity(energy, BIN_S, 0.05),
        decay.centre_time(energy, BIN_S, direct),
    ]
    one = energy[1, 2]
    alone = [
        decay.decay_time(one, BIN_S, -5, -25),
        decay.clarity(one, BIN_S, 0.05),
        decay.centre_time(one, BIN_S, 1e-4),
    ]
    np.testing.assert_allclose([values[1, 2] for values in together], alone, rtol=1e-12)


def test_time_axis_can_be_anywhere():
    energy = np.random.default_rng(0).random((4, 50))
    np.testing.assert_array_equal(decay.decay_curve(energy.T, axis=0).T, decay.decay_curve(energy))


def test_curve_starts_with_everything_and_falls():
    energy = exponential_energy(0.3, BIN_S, 250)
    curve = decay.decay_curve(energy)
    assert curve[0] == pytest.approx(1.0, rel=1e-12)
    assert np.all(np.diff(curve) < 0)


def test_limit_within_a_bin_shares_it():
    early, late = decay.split_energy(np.array([1.0, 1.0, 0.0, 0.0]), 0.02, 0.03)
    assert (early, late) == (1.5, 0.5)


def test_50_ms_is_exactly_50_bins():
    """0.05 / 0.001 isn't 50 in floating point; no bin may leak."""
    energy = np.zeros(400)
    energy[49], energy[50] = 2.0, 1.0
    assert decay.clarity(energy, 0.001, 0.05) == pytest.approx(10 * np.log10(2), abs=1e-12)


def test_direct_sound_counts_at_time_zero():
    """Direct sound and one equal reflection in the bin 20-21 ms: Ts = 20.5/2 ms."""
    energy = np.zeros(200)
    energy[0], energy[20] = 1.0, 1.0
    assert decay.centre_time(energy, 0.001, 1.0) == pytest.approx(0.01025, abs=1e-12)
    assert decay.centre_time(energy, 0.001) == pytest.approx(0.0105, abs=1e-12)


@pytest.mark.parametrize("of", [decay.strength_db, lambda e: decay.definition(e, BIN_S)])
def test_energies_need_the_sound_to_have_decayed(of):
    energy = exponential_energy(1.0, BIN_S, 1000)
    assert np.isfinite(of(energy))
    assert np.isnan(of(energy[:100]))
    assert np.isnan(of(np.ones(100)))
    assert np.isnan(of(np.zeros(100)))


def test_clarity_without_late_sound_is_undefined():
    energy = np.zeros(100)
    energy[0] = 1.0
    assert np.isnan(decay.clarity(energy, BIN_S, 0.05))
