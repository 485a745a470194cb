"""Below the stated range of volumes no decay time from rays is printed as a number."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from raysim import quantities
from raysim.cli.summary import print_summary
from raysim.quantities import check_all, compare_variants, evaluate_all
from raysim.quantities.places import find_places, mean_slopes
from raysim.report import page, where_next
from raysim.scene.sizes import STATED_RANGE_M3
from tests.maps_made import made
from tests.results_made import exponential_result

WITHHELD = "the room has 7.0 m3, and below 20 m3 decay times from rays are not stated"


@pytest.fixture(scope="module")
def closet():
    """The bedroom of other tests in the air of a closet, which is what decides."""
    return in_air(exponential_result(variants=("base", "foam"), batches=8), 7.0)


def in_air(result, volume):
    return replace(result, scene=replace(result.scene, volume=volume))


def test_decay_times_have_a_reason_in_every_band_and_energies_a_number_above_schroeder(closet):
    estimates = evaluate_all(closet)
    for key in ("EDT", "T20", "T30", "curvature"):
        assert (estimates[key].reason == WITHHELD).all()
        assert np.isnan(estimates[key].value).all()
    above = quantities.ray_validity(closet)
    assert above.any()
    assert not above.all()
    for key in ("C50", "G", "Ts"):
        assert np.array_equal(np.isfinite(estimates[key].value), above)
    assert np.isfinite(quantities.reverberation_time(closet, everywhere=True).value).all()


@pytest.mark.parametrize(("volume", "is_stated"), [(20.0, True), (19.99, False)])
def test_the_limit_is_where_the_stated_range_begins(volume, is_stated):
    result = in_air(exponential_result(batches=2), volume)
    assert STATED_RANGE_M3[0] == 20.0
    assert quantities.states_decay(result) == is_stated
    assert np.isfinite(quantities.reverberation_time(result).value[..., -1]).all() == is_stated


def test_printed_compared_and_checked_without_a_decay_time(closet, capsys):
    print_summary(closet)
    printed = " ".join(capsys.readouterr().out.split())  # lists are wrapped to the paper
    assert f"T20, EDT at 125 Hz, 250 Hz, 500 Hz, 1 kHz, 2 kHz, 4 kHz: {WITHHELD}" in printed
    assert "Largest standard error of T20" not in printed
    assert "T20 only tells when the rays are enough" in printed
    [comparison] = compare_variants(closet)
    for key in ("T20", "EDT", "T30", "T ratio"):
        for judged in comparison.of(key):
            assert {v.word for row in judged.verdicts for v in row} == {"not evaluated"}
    rows = [check for check in check_all(closet) if "decay time" in check.criterion]
    assert rows
    assert {(check.verdict, check.reason) for check in rows} == {("not evaluated", WITHHELD)}


def test_report_has_the_reason_and_no_picture_of_decay_times(closet, monkeypatch):
    for name in ("svg", "png", "tiled_png"):
        monkeypatch.setattr(f"raysim.report.style.{name}", lambda *_anything: b"picture")
    html = page.compose(closet)["report.html"].decode()
    assert f"No decay time can be given for 500 Hz and 1 kHz: {WITHHELD}." in html
    assert "Decay times by band with guide" not in html
    assert "The hatched area is a guide" not in html


def test_slopes_of_t20_are_withheld_and_gains_count_early_sound_alone(monkeypatch):
    result = made(level=lambda points: np.full(len(points), -2.0), level_error=0.01)
    whole = find_places(result)
    monkeypatch.setattr("raysim.quantities.places.states_decay", lambda _result: False)
    monkeypatch.setattr("raysim.quantities.evaluation.states_decay", lambda _result: False)
    assert np.isnan(mean_slopes(result).value[:, 1]).all()
    places = find_places(result)
    assert np.allclose(places.steps, 2.0)
    assert (whole.steps > places.steps).all()
    section = where_next.where_next(result)
    assert "map_early_level.png" in section.files
    assert "map_t20.png" not in section.files
    assert {row["cells"][1] for row in section.rows} == {("–", "")}
