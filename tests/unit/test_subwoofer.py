"""A subwoofer radiates nothing above its low-pass, so nothing up there may hang on it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from raysim import quantities
from raysim.cli.summary import print_summary
from raysim.loudspeakers.cabinet import Cabinet, directivity_of
from raysim.quantities.evaluation import of_pairs
from raysim.quantities.places import map_bands, mean_slopes
from raysim.quantities.shares import incident_share
from raysim.report.listed import list_reflections
from raysim.report.tables import plausibility_rows
from raysim.scene import playing
from raysim.solvers.stopping import precision
from raysim.theory.reverberation import critical_distance
from tests.maps_made import made
from tests.results_made import exponential_result

LOWPASS_HZ = 200.0
PLAYED = 2  # of the octaves 125 Hz to 4 kHz: 250 Hz begins at 177 Hz
WHY = "the source plays up to 200 Hz, and nothing here"


def with_sub(lowpass_hz=LOWPASS_HZ, last=1, **more):
    """Two sources, the second a subwoofer; its energies above are rubbish, noise and 0.8 s."""
    made = exponential_result(**more)
    sub = Cabinet((0.35, 0.4, 0.4), (0.25,), lowpass_hz=lowpass_hz)
    sources = [
        dataclasses.replace(one, directivity=directivity_of(sub, made.scene.bands_hz, 343.0))
        if s >= last
        else one
        for s, one in enumerate(made.scene.sources)
    ]
    scene = dataclasses.replace(made.scene, sources=tuple(sources))
    energy = made.energy_batches.copy()
    silent = ~of_pairs(playing.plays(scene), made)
    slow = 10 ** (-6 * made.time_s / 0.8)
    rubbish = np.random.default_rng(3).gamma(0.01, 100, energy.shape) * slow
    energy[:, :, silent] = rubbish[:, :, silent]
    return dataclasses.replace(made, scene=scene, energy_batches=energy)


@pytest.fixture(scope="module")
def mixed():
    return with_sub()


@pytest.fixture(scope="module")
def alone():
    return exponential_result(sources=1)


def of_first(result):
    """The same result without its second source."""
    return dataclasses.replace(
        result,
        scene=dataclasses.replace(result.scene, sources=result.scene.sources[:1]),
        energy_batches=result.energy_batches[:, :, :1],
        reflections=tuple(path for path in result.reflections if path.source == 0),
    )


def test_an_octave_counts_while_a_part_of_it_is_played(mixed):
    assert playing.plays(mixed.scene).sum(axis=1).tolist() == [6, PLAYED]
    assert playing.counting(mixed.scene)[1].tolist() == [True] * PLAYED + [False] * 4
    only = with_sub(last=0)
    assert playing.counting(only.scene).all()
    assert playing.not_counted(mixed.scene) == [
        "'right speaker' plays up to 200 Hz: it doesn't count at 500 Hz and above"
    ]


def test_its_numbers_are_withheld_with_the_reason(mixed):
    for key, estimate in quantities.evaluate_all(mixed).items():
        assert (estimate.reason[0, 1, 0, PLAYED:] == WHY).all(), key
        assert np.isnan(estimate.value[0, 1, 0, PLAYED:]).all(), key
    bare = quantities.reverberation_time(mixed, everywhere=True)
    assert np.isfinite(bare.value[0, 1, 0, PLAYED:]).any()


@pytest.mark.parametrize("key", ["T20", "EDT", "C50", "G"])
def test_means_are_those_of_the_sources_that_play(mixed, key):
    mean, first = (quantities.average(one, key) for one in (mixed, of_first(mixed)))
    np.testing.assert_array_equal(mean.reason, first.reason)
    np.testing.assert_allclose(mean.value[0, PLAYED:], first.value[0, PLAYED:], rtol=1e-12)
    np.testing.assert_allclose(
        mean.standard_error[0, PLAYED:], first.standard_error[0, PLAYED:], rtol=1e-9
    )
    both = quantities.evaluate_all(mixed)[key].value[0, :, 0, PLAYED - 1].mean()
    assert mean.value[0, PLAYED - 1] == pytest.approx(both, nan_ok=True)


def test_a_run_does_not_wait_for_it(mixed):
    """Its rubbish decays are off by tens of percent; those of the first by less than one."""
    judged = [
        precision(one.energy_batches[:, 0], one.scene, one.bin_s, True)
        for one in (mixed, of_first(mixed))
    ]
    assert judged[0].percent < 1
    assert judged[0].transition_hz == pytest.approx(judged[1].transition_hz, rel=0.02)


def test_schroeder_frequency_checks_and_reflections_go_without_it(mixed):
    first = of_first(mixed)
    assert quantities.transition_frequency(mixed) == pytest.approx(
        quantities.transition_frequency(first), rel=1e-12
    )
    assert {one.reflection.source for one in quantities.early_reflections(mixed)} == {0}
    checks = {one.criterion: one for one in quantities.check_all(mixed)}
    (sub,) = (one for name, one in checks.items() if "right speaker" in name)
    assert (sub.verdict, sub.reason) == (
        "not evaluated",
        "the source plays nothing within 1 to 8 kHz",
    )
    expected = {one.criterion: one.verdict for one in quantities.check_all(first)}
    assert {name: checks[name].verdict for name in expected} == expected


def test_nothing_is_given_where_nobody_plays():
    only = with_sub(last=0)
    mean = quantities.average(only, "T20")
    assert (mean.reason[0, PLAYED:] == WHY).all()
    judged = precision(only.energy_batches[:, 0], only.scene, only.bin_s, True)
    assert np.isnan(judged.percent) or judged.place.startswith(("125 Hz", "250 Hz"))


def test_comparison_goes_without_it():
    made = with_sub(variants=("bare", "treated"))
    energy = made.energy_batches.copy()
    energy[:, 1] *= 0.5  # G 3.01 dB lower
    made = dataclasses.replace(made, energy_batches=energy)
    (compared,) = quantities.compare_variants(made)
    (level,) = compared.of("G")
    assert level.difference.places[0] == (
        "mean over 2 pairs, each in the bands that its source plays"
    )
    np.testing.assert_allclose(level.difference.change.value[0, PLAYED:], -3.0103, atol=0.05)
    assert (level.difference.change.reason[2, PLAYED:] == WHY).all()
    (match,) = compared.of("match")
    assert (match.difference.change.reason[0, PLAYED:] != "").all()
    (strongest,) = compared.of("reflection")
    assert "plays nothing within 1 to 8 kHz" in strongest.difference.before.reason[2, 0]


def test_summary_says_what_does_not_count(mixed, capsys):
    print_summary(mixed)
    said = capsys.readouterr().out
    assert "mean over 2 pairs of source and receiver in the bands that the source plays" in said
    assert "'right speaker' plays up to 200 Hz: it doesn't count at 500 Hz and above" in said


def test_critical_distance_is_that_on_the_axis(mixed):
    """A directivity index of 6.02 dB doubles it (by hand); a silent source has none."""
    field = quantities.diffuse_field(mixed.scene)
    plain = critical_distance(field.eyring_s, mixed.scene.volume, 343.2)
    np.testing.assert_allclose(field.critical_distance_m[0], plain, rtol=1e-3)
    index = mixed.scene.sources[1].directivity.index_db[:PLAYED]
    np.testing.assert_allclose(
        field.critical_distance_m[1, :PLAYED] / field.critical_distance_m[0, :PLAYED],
        10 ** (index / 20),
        rtol=1e-12,
    )
    assert np.isnan(field.critical_distance_m[1, PLAYED:]).all()
    cells = [row[-1] for row in plausibility_rows(mixed.scene)]
    assert "–" in cells[0]
    assert "–" not in cells[-1]


def test_maps_are_means_of_the_sources_that_play(mixed):
    """Slopes and shares of a room whose second source falls silent: those of the first alone."""
    one = made(lambda points: np.ones(len(points)))
    silent = one.scene.sources[1]
    sub = dataclasses.replace(mixed.scene.sources[1].directivity, lowpass_hz=100.0)
    bands = map_bands(one)
    for of in (one.maps.slope, one.maps.incident):
        of[0][::2, 1] = 99.0
    scene = dataclasses.replace(
        one.scene, sources=(one.scene.sources[0], dataclasses.replace(silent, directivity=sub))
    )
    with_sub_made = dataclasses.replace(one, scene=scene)
    np.testing.assert_allclose(mean_slopes(with_sub_made).value[:, 0], 1.0)
    assert mean_slopes(one).value[0, 0] > 10
    np.testing.assert_allclose(incident_share(with_sub_made, 0, bands).value, 1.0)
    assert np.ptp(incident_share(one, 0, bands).value) > 1


def test_report_lists_no_reflections_of_it(mixed):
    listed = list_reflections(mixed)
    assert listed
    assert {one.reflection.source for one in listed} == {0}
    low = exponential_result(bands_hz=(125, 250, 500), times_s=(0.4, 0.4, 0.3))
    assert {one.reflection.source for one in list_reflections(low)} == {0, 1}
