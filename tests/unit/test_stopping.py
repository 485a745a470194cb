"""When a run stops, what it says then, and what it says on the way."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from raysim import quantities
from raysim.settings import Settings
from raysim.solvers.pace import Pace, left_s
from raysim.solvers.stopping import ROUNDS_TO_DEFINE, StoppingRule, precision
from tests.results_made import box_scene, exponential_result

MADE = exponential_result(receivers=2)
LOW_BANDS_HZ = (63.0, 125.0)


def noisy_below(energy, bands_hz, below_hz):
    """The same with batches that differ by half in the bands below a frequency."""
    scale = np.ones(energy.shape[-2])
    scale[np.array(bands_hz) < below_hz] = 0.5
    random = np.random.default_rng(3).uniform(-1, 1, energy.shape)
    return energy * (1 + scale[:, None] * random * (scale < 1)[:, None])


def judge(energy, scene=MADE.scene, is_final=False):
    return precision(energy, scene, MADE.bin_s, is_final)


def test_bands_below_the_schroeder_frequency_do_not_count():
    """Noise at 125 Hz, below 185 Hz, is not asked about; noise at 250 Hz is."""
    energy, bands_hz = MADE.energy_batches[:, 0], MADE.scene.bands_hz
    quiet = judge(energy)
    assert quantities.transition_frequency(MADE)[0] == pytest.approx(quiet.transition_hz)
    assert judge(noisy_below(energy, bands_hz, 200)) == quiet
    louder = judge(noisy_below(energy, bands_hz, 300))
    assert louder.percent > 1.5 * quiet.percent
    assert louder.place.startswith("250 Hz")


def test_the_worst_is_that_of_the_quantities():
    t20 = quantities.reverberation_time(MADE)
    worst = np.nanmax(100 * t20.standard_error / t20.value)
    assert judge(MADE.energy_batches[:, 0]).percent == pytest.approx(worst, rel=1e-12)


def test_undefined_ones_are_waited_for_only_so_long():
    energy = MADE.energy_batches[:, 0].copy()
    energy[:, 0, 1, 3] = 0.0
    assert judge(energy).percent == math.inf
    assert math.isfinite(judge(energy, is_final=True).percent)
    assert judge(0 * energy, is_final=True).percent == math.inf


def reason(energy, rounds=8, spent_s=1.0, scene=MADE.scene, **settings):
    rule = StoppingRule(scene, Settings(**settings), ["base"])
    return rule.reason_to_stop(energy[:, None], rounds, spent_s)


def test_reasons_say_what_was_reached():
    energy = MADE.energy_batches[:, 0]
    worst = judge(energy)
    assert worst.percent < 1
    reached = f"worst T20 error {worst.percent:.2f} %"
    place = f" ({worst.place})"
    assert worst.place.split(", ")[1].endswith((" to seat", " to sofa left"))
    assert reason(energy) == f"precision reached: {reached} of 1 %{place}"
    assert reason(energy, error_percent=worst.percent / 2) == ""
    assert reason(energy, error_percent=0.02, time_s=0.5) == (
        f"time limit of 0.5 s reached: {reached} of 0.02 %{place}"
    )
    assert reason(energy, rays=8 * 8192) == f"number of rays reached: {reached}{place}"
    assert reason(energy, rays=8 * 8192 + 1) == ""
    assert reason(energy, rays=9 * 8192, time_s=0.5) == (
        f"time limit of 0.5 s reached: {reached}{place}"
    )
    nothing = reason(0 * energy, rounds=ROUNDS_TO_DEFINE)
    assert nothing == "no T20 is defined, and more rays don't help"
    assert reason(0 * energy, rounds=ROUNDS_TO_DEFINE - 1) == ""


def test_no_band_above_the_schroeder_frequency():
    low = exponential_result(times_s=(0.6, 0.5), bands_hz=LOW_BANDS_HZ)
    said = reason(low.energy_batches[:, 0], scene=low.scene)
    frequency = 5 * round(quantities.transition_frequency(low)[0] / 5)
    assert said == (
        f"no band that a source plays is above the Schroeder frequency, about {frequency} Hz: "
        "no T20 is given, so more rays refine none"
    )


def test_rule_looks_ahead_and_checks_at_doublings():
    """Four times the error asked for needs sixteen times the rounds, and a little more."""
    energy = MADE.energy_batches
    asked = judge(energy[:, 0]).percent / 4
    rule = StoppingRule(MADE.scene, Settings(error_percent=asked), ["base"])
    assert math.isnan(rule.wanted)
    assert rule.reason_to_stop(energy, 2, 1.0) == ""
    assert rule.wanted == pytest.approx(1.05 * 2 * 16)
    assert rule.detail == f"T20 to {4 * asked:.2f} %"
    precise = np.broadcast_to(energy.mean(axis=0), energy.shape)
    assert rule.reason_to_stop(precise, 3, 1.0) == ""
    assert rule.reason_to_stop(precise, 4, 1.0).startswith("precision reached")


def test_time_left_leaves_compiling_out_and_the_bar_never_falls():
    """A first round of 54 s with the compiler in it, then one a second."""
    pace = Pace()
    assert pace.judge(0, math.nan, 0.0) == (0.0, None)
    pace.finished(1, 54.0)
    assert pace.judge(1, 20.0, 54.0) == (0.0, None)
    pace.finished(2, 55.0)
    assert pace.judge(2, 20.0, 55.0) == (pytest.approx(1 / 19), 18.0)
    assert pace.judge(11, 21.0, 64.0) == (pytest.approx(0.5), 10.0)
    assert pace.judge(12, 101.0, 65.0) == (pytest.approx(0.5), 89.0)
    assert pace.judge(101, 101.0, 154.0) == (0.99, 0.0)


def test_a_continued_run_starts_from_its_own_first_round():
    pace = Pace()
    pace.finished(65, 3.0)
    assert pace.judge(67, 70.0, 5.0) == (pytest.approx(0.4), 3.0)


def test_a_time_limit_bounds_the_time_left():
    pace = Pace(limit_s=20.0)
    pace.finished(1, 10.0)
    assert pace.judge(3, 1000.0, 12.0) == (pytest.approx(0.2), 8.0)


def test_time_left_of_a_steady_task():
    assert left_s(0.0, 5.0) is None
    assert left_s(0.25, 5.0) == 15.0
    assert left_s(1.0, 5.0) == 0.0


def test_the_rule_leaves_out_what_the_report_withholds():
    """The report withholds exactly what the rule leaves out, at any band layout."""
    for bands_hz in ((125.0, 250.0), (250.0, 500.0, 1000.0, 2000.0)):
        made = exponential_result(times_s=(0.4,) * len(bands_hz), bands_hz=bands_hz)
        energy = noisy_below(made.energy_batches[:, 0], bands_hz, 200)
        result = dataclasses.replace(made, energy_batches=energy[:, None])
        t20 = quantities.reverberation_time(result)
        worst = np.nanmax(100 * t20.standard_error / t20.value)
        assert judge(energy, box_scene(bands_hz=bands_hz)).percent == pytest.approx(worst)
