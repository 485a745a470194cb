"""The bass in a plan's aim: its steps, and the basis that all sets of covers share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from raysim.plan.aim import audibility, steps_ringing, steps_uneven_levels
from raysim.plan.bass import BassBench
from raysim.plan.catalogue import Limits
from raysim.plan.places import survey
from raysim.scene.variants import groups_of
from raysim.solvers.bass import base_of
from raysim.solvers.bass_surfaces import admittances_of
from raysim.theory.modal_decay import TEST_SOUNDS_S
from raysim.waves.damped import damped_modes
from raysim.waves.treated import treat
from tests.planned import CATALOGUE, catalogue, room_text, workshop


def test_ringing_is_counted_from_what_is_heard():
    (hz, *_), (limit_s, *_) = TEST_SOUNDS_S
    frequency = np.array([100.0, 200.0, hz / 2])
    time_s = np.array([0.27 * 1.05**3, 0.1, limit_s * 1.05**2])
    assert steps_ringing(frequency, time_s, np.ones(3)) == pytest.approx(3 + 0 + 2)
    assert steps_ringing(frequency, time_s, np.array([0.5, 1, 0])) == pytest.approx(1.5)


def test_a_mode_on_a_quiet_spot_or_near_the_end_counts_less():
    frequency = np.array([40.0, 40.0, 40.0, 160.0])
    at_sources = np.array([[1.0, 1.0], [1.0, 1.0], [0.0, 0.0], [1.0, 1.0]])
    heard = audibility(frequency, at_sources, np.array([1.0, 0.0, 1.0, 1.0]), 160.0)
    assert heard == pytest.approx([0.5, 0, 0, 0])


def test_levels_are_uneven_over_places_and_bands():
    assert steps_uneven_levels(np.array([[80.0, 84.0], [80.0, 84.0]])) == pytest.approx(2)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bass")
    shop = workshop(folder, room_text())
    sites = survey(shop, catalogue(folder, CATALOGUE).items, Limits()).sites
    chosen = [sites[k] for k in np.linspace(0, len(sites) - 1, 5).astype(int)]
    return BassBench(shop, {site.name: site.pieces for site in chosen})


@pytest.mark.slow
def test_a_set_in_the_common_basis_is_as_in_its_own(bench):
    """Decay times to 1.5 % rms, as the wave part claims; responses to 0.3 dB rms.

    Both integrate over what is covered in their own way, so a single decay time may differ more.
    """
    names = sorted(bench.pieces)[:3]
    own = [piece for name in names for piece in bench.pieces[name]]
    (group,) = groups_of(bench.workshop.scene_with({"set": own}), ["set"])
    base = base_of(group, bench.frequencies_hz)
    beta, _ = admittances_of(base.patches, 0, bench.frequencies_hz)
    alone = treat(base.reduced, beta, bench.frequencies_hz)
    exact = damped_modes(alone, bench.modes_to_hz)
    trials = bench._trials_of(frozenset())
    treated = trials.treated(names)
    found = trials.modes(treated)
    assert len(found.frequency_hz) == len(exact.frequencies_hz) > 5
    assert found.frequency_hz == pytest.approx(exact.frequencies_hz, rel=1e-3)
    off = found.decay_time_s / exact.decay_times_s - 1
    assert np.sqrt((off**2).mean()) < 0.015
    assert np.abs(off).max() < 0.04
    seat = bench.workshop.scene.receivers[0].position[None]
    frequency, pressure = trials.response(treated, 30.0)
    wanted = 40 * np.pi * alone.response(seat)[:, 0, -len(frequency) :]
    off_db = 20 * np.log10(np.abs(pressure[:, 0, 0] / wanted))
    assert np.sqrt((off_db**2).mean()) < 0.3
    without = trials.modes(trials.base).decay_time_s
    assert (without / found.decay_time_s).max() > 1.1  # or there would be nothing to see


@pytest.mark.slow
def test_first_order_is_the_slope_of_the_exact_change(bench):
    """A thousandth of a cover changes decay times by a thousandth of what first order says."""
    trials = bench._trials_of(frozenset())
    name = sorted(bench.pieces)[0]
    share = 1e-3
    before, _ = trials.decay_times_with(name)
    whole = trials.patches
    trials.patches = {
        **whole, name: tuple(replace(p, more=share * p.more) for p in whole[name])
    }  # fmt: skip
    try:
        _, first_order = trials.decay_times_with(name)
        after = trials.modes(trials.treated([name])).decay_time_s
    finally:
        trials.patches = whole
    assert np.abs(after - before).max() > 1e-5
    assert after - before == pytest.approx(
        first_order - before, abs=0.02 * np.abs(after - before).max()
    )


@pytest.mark.slow
def test_a_cover_has_its_area_in_the_basis(bench):
    """The first shape is constant: its entry is area over volume."""
    trials, volume = bench._trials_of(frozenset()), bench.workshop.scene.volume
    for name, patches in trials.patches.items():
        area = sum(piece.treatment.area_m2 for piece in bench.pieces[name])
        assert sum(p.matrix[0, 0] for p in patches) * volume == pytest.approx(area, rel=2e-3)
