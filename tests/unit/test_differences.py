"""Differences of variants: exact where they are known, and their verdicts at the thresholds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t as student_t

from raysim.errors import ResultError
from raysim.estimate import Estimate
from raysim.quantities import compare_variants, side_of
from raysim.quantities.comparison import MIXED, compare
from raysim.quantities.differences import NO_MATE, Difference, differences
from raysim.quantities.plausibility import areas_of, material_areas
from raysim.quantities.ranges import Spread, input_spreads
from raysim.quantities.sides import common_of, pairing
from raysim.quantities.verdicts import (
    BETTER,
    DIFFERS,
    SAME,
    UNDEFINED,
    UNSURE,
    WORSE,
    aims,
    judge,
)
from raysim.scene.data import Treatment, Variant
from raysim.theory import criteria
from raysim.theory.noticeable import STEPS
from tests.results_made import DECAY_TIMES_S, exponential_energy, exponential_result

BANDS = 6


def doubled(result, change):
    """The result with a second variant, `change` of the first one's energy and paths."""
    energy = result.energy_batches
    return replace(
        result,
        variants=("base", "after"),
        energy_batches=np.concatenate([energy, change(energy)], axis=1),
        reflections=(*result.reflections, *(replace(p, variant=1) for p in result.reflections)),
    )


def of(found, key):
    return next(one for one in found if one.key == key)


def compared(result):
    return differences(side_of(result, "base"), side_of(result, "after"))


@pytest.mark.parametrize("apart", [False, True], ids=["one result", "two files of one seed"])
def test_equal_variants_differ_by_nothing_without_error(apart):
    result = doubled(exponential_result(variants=("base",), receivers=2), np.copy)
    other = replace(result) if apart else result
    one = compare(side_of(result, "base"), side_of(other, "after"))
    assert one.is_paired
    defined = 0
    for judged in one.judged:
        change = judged.difference.change
        known = change.reason == ""
        defined += known.sum()
        assert (change.value[known] == 0).all()
        assert (change.standard_error[known] == 0).all()
        words = {v.word for row in judged.verdicts for v in row}
        assert words <= {SAME, UNDEFINED}
    assert defined > 100
    assert one.overall == SAME


def test_a_decibel_less_is_exactly_that_and_pairs_take_the_error_out():
    result = doubled(exponential_result(variants=("base",)), lambda energy: energy * 10**-0.1)
    found = compared(result)
    level, clarity = of(found, "G"), of(found, "C50")
    np.testing.assert_allclose(level.change.value[:, 1:], -1.0, atol=1e-9)
    assert (level.change.standard_error[:, 1:] < 1e-9).all()
    assert (level.before.standard_error[:, 1:] > 1e-3).all()
    np.testing.assert_allclose(clarity.change.value[:, 1:], 0.0, atol=1e-9)
    assert level.places == ("mean over 2 pairs", "left speaker to seat", "right speaker to seat")


def test_a_shorter_decay_is_exactly_that():
    """Exponentials alone: T20 by a tenth; C50, D50 and Ts by their closed forms."""
    times = np.array(DECAY_TIMES_S)
    before = exponential_result(variants=("base",), noise=0, paths=False)
    bins = len(before.time_s)

    def shorter(energy):
        ratio = exponential_energy(0.9 * times, 0.001, bins) / exponential_energy(
            times, 0.001, bins
        )
        return energy * ratio

    found = compared(doubled(before, shorter))
    early = np.exp(-6 * np.log(10) * 0.050 / np.stack([times, 0.9 * times]))
    expected = {
        "T20": -0.1 * times,
        "D50": early[0] - early[1],
        "C50": 10 * np.log10((1 / early[1] - 1) / (1 / early[0] - 1)),
    }
    for key, value in expected.items():
        change = of(found, key).change
        defined = change.reason[0] == ""
        assert defined.sum() >= 4
        np.testing.assert_allclose(change.value[0][defined], value[defined], rtol=2e-3)
    ratio = [one for one in found if one.key == "T ratio"]
    assert [one.columns for one in ratio] == [
        ("250 Hz / 500 Hz, 1 kHz",),
        ("2 kHz, 4 kHz / 500 Hz, 1 kHz",),
    ]
    for one in ratio:
        np.testing.assert_allclose(one.change.value, 0.0, atol=1e-3)
    np.testing.assert_allclose(
        ratio[1].before.value, times[4:].mean() / times[2:4].mean(), rtol=2e-3
    )


def test_different_seeds_add_errors_as_squares():
    one = exponential_result(variants=("base",), seed=1)
    other = exponential_result(variants=("base",), seed=2)
    is_paired, words = pairing(side_of(one, "base"), side_of(other, "base"))
    assert not is_paired
    assert "different seeds" in words
    found = differences(side_of(one, "base"), side_of(other, "base"))
    for key in ("T20", "C50", "G"):
        part = of(found, key)
        known = part.change.reason == ""
        np.testing.assert_allclose(
            part.change.standard_error[known],
            np.hypot(part.before.standard_error, part.after.standard_error)[known],
        )


def test_one_seed_says_what_else_differs():
    one = exponential_result(variants=("base",))
    assert pairing(side_of(one, "base"), side_of(replace(one, rounds=7), "base")) == (
        True,
        "of one seed but different numbers of rays: errors of the difference, "
        "random numbers shared in part",
    )


def test_reasons_are_carried_over_and_name_the_side():
    """At 250 Hz the variant alone lies below the Schroeder frequency."""
    before = exponential_result(variants=("base",), noise=0, paths=False, size_m=(4.0, 3.0, 2.4))
    times = np.array(DECAY_TIMES_S)
    bins = len(before.time_s)
    longer = exponential_energy(2.5 * times, 0.001, bins) / exponential_energy(times, 0.001, bins)
    result = doubled(before, lambda energy: energy * longer)
    change = of(compared(result), "G").change
    assert change.reason[0, 0].startswith("below the Schroeder frequency")
    assert change.reason[0, 1].startswith("after, below the Schroeder frequency")
    assert np.isnan(change.value[0, :2]).all()


def test_only_what_both_have_is_compared():
    wide = exponential_result(variants=("base",), receivers=2)
    narrow = exponential_result(
        times_s=DECAY_TIMES_S[2:4], bands_hz=(500, 1000), variants=("base",), seed=1
    )
    common = common_of(side_of(wide, "base"), side_of(narrow, "base"))
    assert common.bands_hz == (500, 1000)
    assert common.receiver_names == ("seat",)
    found = differences(side_of(wide, "base"), side_of(narrow, "base"))
    assert of(found, "T20").columns == ("500 Hz", "1 kHz")
    far = exponential_result(times_s=(0.3,), bands_hz=(8000,), variants=("base",))
    with pytest.raises(ResultError, match="no band is in both"):
        compare(side_of(narrow, "base"), side_of(far, "base"))


def test_match_is_of_the_sources_left_and_right_of_the_seat():
    result = exponential_result(variants=("base",), noise=0)

    def louder_left(energy):
        energy = energy.copy()
        energy[:, :, 0] *= 10**0.2
        return energy

    match = of(compared(doubled(result, louder_left)), "match")
    assert match.places == ("seat",)
    np.testing.assert_allclose(match.before.value[0, 2:], 0.0, atol=1e-9)
    np.testing.assert_allclose(match.change.value[0, 2:], 2.0, atol=1e-9)
    lone = exponential_result(variants=("base",), sources=1)
    assert (of(compared(doubled(lone, np.copy)), "match").change.reason == NO_MATE).all()


def test_strongest_reflection_follows_the_paths():
    """All first-order paths 7 dB weaker; then none at all within 15 ms."""
    result = doubled(exponential_result(variants=("base",)), np.copy)
    weaker = [
        replace(p, level_db=p.level_db - 7) if (p.variant, p.order) == (1, 1) else p
        for p in result.reflections
    ]
    one = compare_variants(replace(result, reflections=tuple(weaker)))[0]
    (judged,) = one.of("reflection")
    np.testing.assert_allclose(judged.difference.change.value, -7.0)
    assert (judged.difference.change.standard_error == 0).all()
    assert judged.verdicts[0][0].word == BETTER
    direct = tuple(p for p in result.reflections if p.variant == 0 or p.order == 0)
    (gone,) = compare_variants(replace(result, reflections=direct))[0].of("reflection")
    assert gone.verdicts[0][0].word == BETTER
    assert gone.difference.change.reason[0, 0] == "after, no reflection within 15 ms"


def made(key, before, change, error=0.0, batches=32):
    """A Difference of one number."""

    def one(value, standard_error=0.0):
        return Estimate(
            np.array([[value]]), np.array([[standard_error]]), batches, np.array([[""]])
        )

    return Difference(
        key, key, "", ("here",), ("500 Hz",), one(before), one(before + change), one(change, error)
    )


def word(difference, aim=None, spread=None):
    return judge(difference, [aim], spread)[0][0]


@pytest.mark.parametrize("key", STEPS)
def test_the_noticeable_step_is_where_the_word_changes(key):
    step = float(STEPS[key].at(np.array(2.0)))
    for sign in (-1, 1):
        assert word(made(key, 2.0, sign * 0.999 * step)).word == SAME
        assert word(made(key, 2.0, sign * 1.001 * step)).word == DIFFERS


def test_the_interval_decides_not_the_value():
    half = float(student_t.ppf(0.975, 31))
    assert word(made("G", 0.0, 0.5, 0.499 / half)).word == SAME
    assert word(made("G", 0.0, 0.5, 0.501 / half)).word == UNSURE
    assert word(made("G", 0.0, -1.5, 0.499 / half)).word == DIFFERS
    assert word(made("G", 0.0, -1.5, 0.501 / half)).word == UNSURE


def test_rays_asked_for_would_decide():
    """An interval of 2 dB about 1.5 dB is to shrink to 0.5 dB: 16 times, rounded up."""
    half = float(student_t.ppf(0.975, 31))
    verdict = word(made("G", 0.0, 1.5, 2.0 / half))
    assert verdict.times_rays == 20
    assert "20 times the rays" in verdict.reason
    assert word(made("G", 0.0, 1.5, 2.0 / half / np.sqrt(20))).word == DIFFERS
    at_the_step = word(made("G", 0.0, 1.0, 0.3))
    assert at_the_step.times_rays is None
    assert "noticeable step" in at_the_step.reason


def test_better_is_nearer_the_guide():
    volume = 100.0
    (aim,) = aims("T20", volume, (1000.0,), 1)
    high = criteria.nominal_decay_time(volume) + 0.05
    assert word(made("T20", high + 0.2, -0.1), aim).word == BETTER
    assert word(made("T20", high + 0.1, 0.1), aim).word == WORSE
    assert word(made("T20", high - 0.01, -0.05), aim).word == DIFFERS
    assert word(made("T20", high, -0.25), aim).word == WORSE
    assert aims("T20", volume, (31.5,), 1) == [None]
    assert aims("C50", volume, (1000.0,), 1) == [None]


def panelled(low, high):
    """A made result whose second variant has a panel of unsure absorption on the front."""
    result = doubled(exponential_result(variants=("base",)), np.copy)
    scene = result.scene
    panel = replace(
        scene.materials[0],
        name="panel",
        absorption=np.full(BANDS, 0.5),
        absorption_low=np.full(BANDS, low),
        absorption_high=np.full(BANDS, high),
    )
    exact = [
        replace(m, absorption_low=m.absorption, absorption_high=m.absorption)
        for m in scene.materials
    ]
    piece = Treatment(
        *("panel", "panel", "panel", 0, (0.5, 0.5, 2.5, 1.5), 0.1, 0.0, 2, "hung"),
        *(40.0, 8.0, 1, False, "front", np.zeros((8, 3))),
    )
    variants = (Variant("base"), Variant("after", (0,)))
    return replace(
        result,
        scene=replace(scene, materials=(*exact, panel), treatments=(piece,), variants=variants),
    )


def test_area_of_a_panel_is_taken_off_the_wall():
    scene = panelled(0.4, 0.6).scene
    bare, hung = material_areas(scene), areas_of(scene, "after")
    np.testing.assert_allclose(hung - bare, [-2.0, 0.0, 2.0], atol=1e-12)
    np.testing.assert_array_equal(areas_of(scene, "base"), bare)


def test_what_is_not_known_of_the_panel_leaves_its_effect_open():
    """Only the panel is unsure, so it is named; without a range nothing is open."""
    for low, high in ((0.1, 0.9), (0.5, 0.5)):
        result = panelled(low, high)
        before, after = side_of(result, "base"), side_of(result, "after")
        spread = input_spreads(before, after, common_of(before, after), compared(result))["T20"]
        assert spread.material[3] == ("panel" if low < high else "")
        assert (spread.down[3] > 0) == (spread.up[3] > 0) == (low < high)
    unsure = panelled(0.1, 0.9)
    before, after = side_of(unsure, "base"), side_of(unsure, "after")
    spread = input_spreads(before, after, common_of(before, after), compared(unsure))["T20"]
    three = replace(spread, down=spread.down[3:4], up=spread.up[3:4], material=spread.material[3:4])
    step = 0.05 * 0.28
    verdict = word(made("T20", 0.28, -step - 0.5 * spread.up[3]), spread=three)
    assert (verdict.word, verdict.reason) == (UNSURE, "learn the absorption of 'panel' first")


def test_overall_word_and_sums():
    times = np.array(DECAY_TIMES_S)
    result = panelled(0.5, 0.5)
    bins = len(result.time_s)
    ratio = exponential_energy(0.7 * times, 0.001, bins) / exponential_energy(times, 0.001, bins)
    energy = result.energy_batches.copy()
    energy[:, 1] *= ratio
    (one,) = compare_variants(replace(result, energy_batches=energy))
    assert one.overall == BETTER
    assert one.sums[0].pieces == 0
    assert (one.sums[1].cost, one.sums[1].weight_kg) == (40.0, 8.0)
    assert one.sums[1].area_m2 == pytest.approx(2.0)
    ratio[0:3] = 1 / ratio[0:3]
    energy = result.energy_batches.copy()
    energy[:, 1] *= ratio
    (mixed,) = compare_variants(replace(result, energy_batches=energy))
    assert mixed.overall == MIXED


def test_names_that_mean_nothing_are_refused():
    result = doubled(exponential_result(variants=("base",)), np.copy)
    with pytest.raises(ResultError, match="no variant 'aftr' was computed; did you mean 'after'"):
        compare_variants(result, variants=("base", "aftr"), names=("room.h5", ""))
    with pytest.raises(ResultError, match=r"room\.h5: 'base' is its only variant"):
        compare_variants(exponential_result(variants=("base",)), names=("room.h5", ""))


def test_more_absorption_than_thought_makes_the_change_more_negative():
    unsure = panelled(0.5, 0.9)
    before, after = side_of(unsure, "base"), side_of(unsure, "after")
    spreads = input_spreads(before, after, common_of(before, after), compared(unsure))
    assert spreads["T20"].down[3] > 0
    assert spreads["T20"].up[3] == 0
    assert spreads["C50"].up[3] > 0
    assert spreads["C50"].down[3] == 0


@pytest.mark.parametrize(
    ("change", "down", "up", "expected"),
    [
        (1.5, 0.6, 0.0, UNSURE),
        (1.5, 0.0, 0.6, DIFFERS),
        (-1.5, 0.0, 0.6, UNSURE),
        (-1.5, 0.6, 0.0, DIFFERS),
        (0.5, 0.0, 0.6, UNSURE),
        (0.5, 0.6, 0.0, SAME),
    ],
)
def test_ranges_widen_the_side_on_which_they_lie(change, down, up, expected):
    spread = Spread(np.array([down]), np.array([up]), ("panel",))
    assert word(made("G", 0.0, change), spread=spread).word == expected
