"""Effects against the formulas for balanced designs, and Holm's correction by hand."""

from __future__ import annotations

import csv
import shutil

import h5py
import numpy as np
import pytest
from scipy.stats import t as student_t

from raysim.errors import SettingsError
from raysim.study.effects import ensure_affordable, estimate_effects, write_effects
from raysim.study.plan import Shelf
from raysim.study.read import load_study
from tests.study_made import EFFECTS, STUDY, compute_here, write_study

pytest.importorskip("statsmodels")


@pytest.fixture(scope="module")
def computed(tmp_path_factory):
    """A folder with a computed study."""
    place = tmp_path_factory.mktemp("effects")
    assert compute_here(write_study(place, STUDY + EFFECTS), place / "out") == 0
    return place


@pytest.fixture
def place(computed, tmp_path):
    """A copy to change."""
    shutil.copytree(computed, tmp_path / "copy")
    return tmp_path / "copy"


def with_values(place, values):
    """Put T20 values in, (run,), the same in both bands."""
    with h5py.File(place / "out/study.h5", "r+") as file:
        file["T20"][...] = values[:, None, None, None, None]
    study = load_study(place / "study.toml")
    found = estimate_effects(study, Shelf(place / "out", keep_results=False))
    return [one for one in found if one.quantity == "T20" and one.band_hz == 1000]


def test_balanced_design_by_its_formulas(place):
    # Runs: 3 levels of rear by 2 of length by 2 seeds, seeds fastest.
    rng = np.random.default_rng(1)
    values = rng.normal(size=(3, 2, 2))
    found = with_values(place, values.ravel())
    assert [(one.term.factor, one.term.level, one.term.against) for one in found] == [
        ("rear", "0.6", "0.3"),
        ("rear", "0.9", "0.3"),
        ("length", "5.0", "4.2"),
    ]
    fitted = (
        values.mean(axis=(1, 2), keepdims=True)
        + values.mean(axis=(0, 2), keepdims=True)
        + values.mean(axis=(0, 1), keepdims=True)
        - 2 * values.mean()
    )
    left = 12 - 5
    variance = ((values - fitted) ** 2).sum() / left
    by_rear, by_length = values.mean(axis=(1, 2)), values.mean(axis=(0, 2))
    wanted = [by_rear[1] - by_rear[0], by_rear[2] - by_rear[0], by_length[1] - by_length[0]]
    errors = np.sqrt(variance * 2 / np.array([4, 4, 6]))
    half = student_t.ppf(0.975, left) * errors
    for one, effect, width, error in zip(found, wanted, half, errors, strict=True):
        assert one.effect == pytest.approx(effect)
        assert (one.low, one.high) == pytest.approx((effect - width, effect + width))
        assert one.p == pytest.approx(2 * student_t.sf(abs(effect / error), left))
        assert one.degrees_of_freedom == left
        assert one.residual == pytest.approx(np.sqrt(variance))


def test_holm_by_hand(place):
    study = load_study(place / "study.toml")
    shelf = Shelf(place / "out", keep_results=False)
    found = write_effects(study, shelf)
    p = np.array([one.p for one in found])
    order = np.argsort(p)
    wanted = np.minimum(1, np.maximum.accumulate((len(p) - np.arange(len(p))) * p[order]))
    assert [found[k].p_holm for k in order] == pytest.approx(wanted)
    with (place / "out/effects.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(found) == 2 * 2 * 3
    assert rows[0]["unit"] == "s"
    assert float(rows[0]["effect"]) == pytest.approx(found[0].effect, rel=1e-5)


def test_more_absorption_shortens_the_decay(computed):
    with (computed / "out/effects.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["quantity"] == "T20"]
    assert all(float(row["high"]) < 0 for row in rows if row["factor"] == "rear")


def test_a_seed_is_a_block(place):
    values = np.tile([0.0, 100.0], 6) + np.repeat(np.arange(3.0), 4)
    rear = with_values(place, values)[:2]
    assert [one.effect for one in rear] == pytest.approx([1, 2])
    assert rear[0].high - rear[0].low < 1e-6


def test_missing_runs_are_left_out_or_said(place):
    values = np.arange(12.0)
    values[3] = np.nan
    assert [one.rows for one in with_values(place, values)] == [11] * 3
    values[4:8] = np.nan
    assert with_values(place, values)[0].reason.startswith("the runs that are there can't tell")
    assert with_values(place, np.full(12, np.nan))[0].reason == "undefined in all runs"


def test_no_degrees_of_freedom(tmp_path):
    text = (
        (STUDY + EFFECTS).replace("seeds = 2", "seeds = 1").replace("[0.3, 0.6, 0.9]", "[0.3, 0.6]")
    )
    text = text.replace("values = [4.2, 5.0]", "values = [4.2]")
    assert compute_here(write_study(tmp_path, text), tmp_path / "out") == 0
    study = load_study(tmp_path / "study.toml")
    found = estimate_effects(study, Shelf(tmp_path / "out", keep_results=False))
    assert {one.reason for one in found} == {"as many effects as runs; add seeds"}


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("bands = [63]", "63 Hz; the scene has 500, 1000 Hz"),
        ('control = { rear = "0.5" }', "'0.5' is no level of it; there are 0.3, 0.6, 0.9"),
    ],
)
def test_refused_before_the_night(tmp_path, more, said):
    study = load_study(write_study(tmp_path, f"{STUDY}{EFFECTS}{more}\n"))
    with pytest.raises(SettingsError, match=said):
        ensure_affordable(study)


def test_another_control(place):
    text = f'{STUDY}{EFFECTS}control = {{ rear = "0.9" }}\n'
    write_study(place, text)
    found = with_values(place, np.repeat([1.0, 2.0, 4.0], 4) + 1e-3 * np.arange(12) ** 2 % 7)
    assert [(one.term.level, one.term.against) for one in found[:2]] == [
        ("0.3", "0.9"),
        ("0.6", "0.9"),
    ]
    assert found[0].effect == pytest.approx(-3, abs=0.1)


def test_without_the_library(tmp_path, monkeypatch):
    monkeypatch.setattr("raysim.study.effects.find_spec", lambda _name: None)
    with pytest.raises(SettingsError, match=r"pip install 'raysim\[effects\]'"):
        ensure_affordable(load_study(write_study(tmp_path, STUDY + EFFECTS)))
