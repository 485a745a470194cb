"""Quantities of a result: values, reasons, averages, validity, reflections, checks."""

import dataclasses

import numpy as np
import pytest

from raysim import quantities
from raysim.estimate import Estimate
from raysim.quantities.checks import verdict_of
from raysim.quantities.reflections import place_on
from raysim.results.layout import QUANTITY_LABELS
from raysim.scene.data import Facet
from tests.results_made import DECAY_TIMES_S, SIZE_M, box_scene, exponential_result


@pytest.fixture(scope="module")
def smooth():
    """No noise, no paths: bare exponentials."""
    return exponential_result(paths=False, noise=0.0, receivers=2)


@pytest.fixture(scope="module")
def noisy():
    return exponential_result(receivers=2)


def test_known_decay_times(smooth):
    for estimate in (
        quantities.early_decay_time(smooth, everywhere=True),
        quantities.reverberation_time(smooth, "T20", everywhere=True),
        quantities.reverberation_time(smooth, "T30", everywhere=True),
    ):
        assert estimate.value.shape == (1, 2, 2, 6)
        np.testing.assert_allclose(estimate.value[0, 1, 1], DECAY_TIMES_S, rtol=1e-9)
        np.testing.assert_allclose(estimate.standard_error, 0.0, atol=1e-9)
        assert np.all(estimate.reason == "")


def test_strength_of_the_diffuse_field(smooth):
    expected = 10 * np.log10(31200 * np.array(DECAY_TIMES_S) / smooth.scene.volume)
    got = quantities.sound_strength(smooth, everywhere=True).value[0, 0, 0]
    np.testing.assert_allclose(got, expected, atol=1e-9)


def test_all_at_once_equals_one_by_one(noisy):
    together = quantities.evaluate_all(noisy)
    assert list(together) == list(QUANTITY_LABELS)
    for key, alone in (
        ("EDT", quantities.early_decay_time(noisy)),
        ("T30", quantities.reverberation_time(noisy, "T30")),
        ("C50", quantities.clarity(noisy)),
        ("C80", quantities.clarity(noisy, 0.080)),
        ("D50", quantities.definition(noisy)),
        ("Ts", quantities.centre_time(noisy)),
        ("curvature", quantities.curvature(noisy)),
    ):
        for field in ("value", "standard_error", "reason"):
            np.testing.assert_array_equal(getattr(together[key], field), getattr(alone, field))


def test_labels_of_the_file_are_those_of_the_quantities():
    units = {key: quantity.unit for key, quantity in quantities.QUANTITIES.items()}
    assert units == {key: unit for key, (unit, _) in QUANTITY_LABELS.items()}


def test_below_the_schroeder_frequency_is_withheld(noisy):
    """f_S = 2000 sqrt(T/V), T the mean at 500 Hz and 1 kHz: about 150 Hz in 51.7 m3."""
    frequency = quantities.transition_frequency(noisy)
    expected = 2000 * np.sqrt(np.mean(DECAY_TIMES_S[2:4]) / np.prod(SIZE_M))
    np.testing.assert_allclose(frequency, expected, rtol=0.002)
    valid = quantities.ray_validity(noisy)
    assert valid.shape == (1, 2, 2, 6)
    assert valid[0, 0, 0].tolist() == [False] + [True] * 5
    for key, estimate in quantities.evaluate_all(noisy).items():
        np.testing.assert_array_equal(np.isfinite(estimate.value), valid, err_msg=key)
        np.testing.assert_array_equal(estimate.reason == "", valid, err_msg=key)
        assert "below the Schroeder frequency, about 150 Hz" in estimate.reason[0, 0, 0, 0]


def test_transition_says_where_its_decay_time_comes_from():
    short = exponential_result(duration_s=0.05)
    found = quantities.transition(short)
    assert "Eyring" in found.origin[0]
    assert found.time_s[0] == pytest.approx(
        quantities.diffuse_field(short.scene).eyring_s[2:4].mean()
    )
    assert "T20" in quantities.transition(exponential_result()).origin[0]


def test_reasons_for_short_histograms():
    result = exponential_result(duration_s=0.17, paths=False)
    t30 = quantities.reverberation_time(result, "T30")
    assert t30.reason[0, 0, 0, 2].startswith("the histogram ends before the decay reaches -45 dB")
    assert np.isnan(t30.value[0, 0, 0, 2])
    assert np.isnan(t30.standard_error[0, 0, 0, 2])
    curvature = quantities.curvature(result)
    assert curvature.reason[0, 0, 0, 2] == t30.reason[0, 0, 0, 2]


def test_defined_only_with_every_batch_is_too_few_rays():
    """Sound in one batch alone: without it nothing is left to decay."""
    result = exponential_result(paths=False)
    energy = np.zeros_like(result.energy_batches)
    energy[0] = result.energy_batches[0]
    lonely = dataclasses.replace(result, energy_batches=energy)
    estimate = quantities.sound_strength(lonely, everywhere=True)
    assert np.all(np.isnan(estimate.value))
    assert np.all(estimate.reason == "too few rays: without one of the batches it is undefined")


def test_average_is_the_mean_of_positions(noisy):
    each = quantities.reverberation_time(noisy).value
    mean = quantities.average(noisy, "T20")
    np.testing.assert_allclose(mean.value[0, 1:], each[0, :, :, 1:].mean(axis=(0, 1)), rtol=1e-12)
    assert np.isnan(mean.value[0, 0])
    assert "Schroeder" in mean.reason[0, 0]
    over_bands = quantities.average(noisy, "T20", [500, 1000])
    np.testing.assert_allclose(over_bands.value, mean.value[:, 2:4].mean(axis=1), rtol=1e-12)


def test_error_of_an_average_knows_shared_rays(noisy):
    """Four positions with identical rays: the mean is no surer than one of them."""
    shared = dataclasses.replace(
        noisy,
        energy_batches=np.broadcast_to(
            noisy.energy_batches[:, :, :1, :1], noisy.energy_batches.shape
        ),
        reflections=(),
    )
    alone = quantities.reverberation_time(shared).standard_error[0, 0, 0, 1:]
    np.testing.assert_allclose(
        quantities.average(shared, "T20").standard_error[0, 1:], alone, rtol=1e-9
    )
    independent = quantities.average(noisy, "T20").standard_error[0, 1:]
    assert np.all(independent < 0.75 * alone)


def test_early_reflections_in_a_box(noisy):
    """The side wall's point by the mirror: 1.2 m of height, 1.655 m from the front wall."""
    judged = quantities.early_reflections(noisy)
    assert all(one.reflection.order >= 1 and one.reflection.delay_s <= 0.015 for one in judged)
    far = next(
        one
        for one in judged
        if one.path == "right" and one.reflection.source == 0 and one.reflection.receiver == 0
    )
    assert far.level_db == pytest.approx(far.reflection.level_db[3:].max())
    assert far.band_hz in (1000, 2000, 4000)
    assert far.is_met
    # Mirror image of x = 1.2 m in x = 3.9 m is 6.6 m; seat at x = 1.95 m.
    along = 0.9 + (2.2 - 0.9) * (6.6 - 3.9) / (6.6 - 1.95)
    assert far.places[0].above_floor_m == pytest.approx(1.2)
    assert far.places[0].edges == (("front", pytest.approx(along)),)
    assert far.places[0].describe() == "120 cm above the floor, 165 cm from its front edge"


def test_criterion_is_at_the_limit_inclusive(noisy):
    """Exactly 10 dB below is met; 0.01 dB more is not."""
    path = next(p for p in noisy.reflections if p.order == 1 and p.delay_s < 0.015)
    for level, is_met in ((-10.0, True), (-9.99, False)):
        levels = np.full(6, -20.0)
        levels[4] = level
        levels[2] = 0.0  # 500 Hz: not in the criterion
        changed = dataclasses.replace(path, level_db=levels)
        result = dataclasses.replace(noisy, reflections=(changed,))
        (one,) = quantities.early_reflections(result)
        assert one.is_met is is_met
        assert one.band_hz == 2000


def test_groups_by_surface_strongest_first(noisy):
    groups = quantities.by_surface(quantities.early_reflections(noisy))
    strongest = [members[0].level_db for members in groups.values()]
    assert strongest == sorted(strongest, reverse=True)
    assert set(groups) <= {"front", "rear", "left", "right", "floor", "ceiling"}


def test_places_on_floor_and_ceiling_name_sides_of_the_room():
    scene = box_scene()
    point = np.array([0.5, 4.8, 0.0])
    floor, ceiling = scene.facets[4], scene.facets[5]
    on_floor = place_on(scene, floor, point)
    assert on_floor.edges == (("left", pytest.approx(0.5)), ("rear", pytest.approx(0.3)))
    assert on_floor.describe() == "50 cm from its left edge, 30 cm from its rear edge"
    on_ceiling = place_on(scene, ceiling, point + np.array([0, 0, SIZE_M[2]]))
    assert on_ceiling.edges == on_floor.edges
    assert on_ceiling.above_floor_m == pytest.approx(SIZE_M[2])


def test_place_under_a_sloping_edge():
    """On a gable wall the edge is looked for at the height of the point."""
    scene = box_scene()
    gable = Facet(
        "front",
        0,
        np.zeros(3),
        np.array([1.0, 0, 0]),
        np.array([0, 0, 1.0]),
        np.array([0, 1.0, 0]),
        np.array([4.0, 3.0]),
        8.0,
        (np.array([[0, 0], [4.0, 0], [4.0, 1.0], [2.0, 3.0], [0, 1.0]]),),
    )
    assert place_on(scene, gable, np.array([1.5, 0, 2.0])).edges == (("left", pytest.approx(0.5)),)
    assert place_on(scene, gable, np.array([1.5, 0, 0.5])).edges == (("left", pytest.approx(1.5)),)
    assert place_on(scene, gable, np.array([4.0, 0, 1.0])).edges == (("right", pytest.approx(0)),)


def test_verdicts():
    value = Estimate(
        np.array([0.20, 0.25, 0.30, np.nan]),
        np.array([0.01, 0.01, 0.01, np.nan]),
        32,
        np.array(["", "", "", "no"]),
    )
    assert verdict_of(value, 0.26, at_most=True) == [
        "met",
        "can't tell",
        "not met",
        "not evaluated",
    ]
    assert verdict_of(value, 0.24, at_most=False) == [
        "not met",
        "can't tell",
        "met",
        "not evaluated",
    ]


def test_checks_of_a_result(noisy):
    rows = quantities.check_all(noisy)
    nominal = 0.25 * (noisy.scene.volume / 100) ** (1 / 3)
    mean = next(r for r in rows if r.criterion == "mean decay time 250 Hz to 4 kHz, at most")
    assert mean.limit == pytest.approx(nominal + 0.05)
    assert mean.value == pytest.approx(np.mean(DECAY_TIMES_S[1:]), rel=0.005)
    assert mean.verdict == "not met"
    bass = next(row for row in rows if row.criterion.startswith("decay time at 125 Hz"))
    assert bass.verdict == "not evaluated"
    assert "Schroeder" in bass.reason
    reflection = next(row for row in rows if "left speaker to seat" in row.criterion)
    assert reflection.verdict == "not met"
    assert reflection.limit == -10
    assert all(row.source for row in rows)


def test_mean_decay_check_names_the_bands_it_could_use():
    """With T = 1.2 s in 51.7 m3 the 250 Hz octave is below the Schroeder frequency of 305 Hz."""
    rows = quantities.check_all(exponential_result(times_s=(1.2,) * 6, paths=False, noise=0.02))
    mean = [row for row in rows if row.criterion.startswith("mean decay time")]
    assert {row.criterion.partition(",")[0] for row in mean} == {"mean decay time 500 Hz to 4 kHz"}
    assert all(row.value == pytest.approx(1.2, rel=0.01) for row in mean)
