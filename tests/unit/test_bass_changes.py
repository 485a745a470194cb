"""The bass before and after: modes matched, octaves and evenness."""

import dataclasses

import numpy as np
import pytest

from raysim import quantities
from raysim.quantities.bass_changes import wave_times
from raysim.report import bass_comparing, comparing
from raysim.report.compare_page import compose_comparison
from tests.results_made import exponential_result


@pytest.fixture(scope="module")
def made():
    """The second variant: the first mode rings half as long, 1 % lower; the other is far off."""
    made = exponential_result(
        bass=True, batches=4, duration_s=0.3, variants=("base", "treated"), noise=0.0
    )
    bass = dataclasses.replace(
        made.bass,
        mode_frequency_hz=np.array([33.6, 44.0, 33.3, 50.0]),
        mode_decay_time_s=np.array([0.8, 1.0, 0.4, 1.0]),
    )
    return dataclasses.replace(made, bass=bass)


@pytest.fixture(scope="module")
def change(made):
    return quantities.bass_change(*(quantities.side_of(made, name) for name in made.variants))


def test_modes_are_matched_where_they_are_near(change):
    (first, same), (second, gone) = change.modes
    assert (first.frequency_hz, same.frequency_hz) == (33.6, 33.3)
    assert (first.decay_time_s, same.decay_time_s) == (0.8, 0.4)
    assert second.frequency_hz == 44.0
    assert gone is None


def test_close_modes_are_matched_by_what_they_are_like(made):
    """Both fall by 1 Hz, so that the nearest of the second is the first; their shapes tell."""
    count = made.bass.mode_at_receivers.shape[1]
    odd, even = np.resize([0.3, -0.3], count), np.full(count, 0.7)
    bass = dataclasses.replace(
        made.bass,
        mode_frequency_hz=np.array([33.0, 33.6, 32.4, 33.1]),
        mode_kind=("",) * 4,
        mode_at_receivers=np.array([odd, even, -1.1 * odd, 0.9 * even]),
        mode_at_sources=np.tile([[0.5, -0.5], [0.6, 0.6]], (2, 1)),
    )
    sides = [
        quantities.side_of(dataclasses.replace(made, bass=bass), name) for name in made.variants
    ]
    pairs = quantities.bass_change(*sides).modes
    assert [(a.frequency_hz, b.frequency_hz) for a, b in pairs] == [(33.0, 32.4), (33.6, 33.1)]


def test_in_words(change):
    said = bass_comparing.sentences(change)
    assert said[-2] == "Of the lowest 2 modes 1 rings shorter, 1 is not found again."
    ((before, after), _) = change.modes
    first, last = (f"{m.shortest_s:.2f} to {m.longest_s:.2f}" for m in (before, after))
    assert said[-1] == (
        "The largest change is large, a factor of two or more: at 33.6 Hz from 0.80 s (within the "
        f"materials' ranges {first} s) to 0.40 s (within the materials' ranges {last} s)."
    )
    first, second = bass_comparing.mode_rows(change)
    assert (first["before_s"][0], first["after_s"][0], first["change"]) == ("0.80", "0.40", "−50")
    assert first["before_s"][1] == f"{before.shortest_s:.2f}–{before.longest_s:.2f}"
    assert first["before_hz"] == ("33.60", "0.03")
    assert second["after"] == "damped away or joined another"


@pytest.mark.parametrize(
    ("before_s", "after_s", "size"),
    [
        (13.2, 12.0, "hardly noticeable, less than a tenth"),
        (1.0, 1.2, "small, a tenth or more"),
        (1.0, 0.7, "clear, a quarter or more"),
        (np.inf, 0.7, "large, a factor of two or more"),
        (1.0, 1.04, None),
    ],
)
def test_largest_change_in_words(change, before_s, after_s, size):
    (one, other), _ = change.modes
    pair = tuple(
        dataclasses.replace(mode, decay_time_s=time)
        for mode, time in ((one, before_s), (other, after_s))
    )
    said = bass_comparing.sentences(dataclasses.replace(change, modes=(pair,)))[-1]
    if size is None:
        assert said == "Of the lowest 1 modes 1 rings as long."
    else:
        assert said.startswith(f"The largest change is {size}: at 33.6 Hz from ")


def test_octaves_and_evenness():
    """A second variant with twice the decay of its only mode a band, and a louder third."""
    made = exponential_result(
        bass=True, batches=4, duration_s=0.3, variants=("base", "treated"), sources=1, noise=0.0
    )
    f = np.arange(20.0, 301.0)
    zone = np.empty((2, 1, 1, 9, len(f)), complex)
    for variant, time_s in enumerate((0.4, 0.8)):
        rate = 3 * np.log(10) / time_s
        zone[variant] = sum(1 / (rate + 2j * np.pi * (f - at)) for at in (63.0, 126.0))
    bass = dataclasses.replace(made.bass, frequency_hz=f, zone=zone)
    sides = [
        quantities.side_of(dataclasses.replace(made, bass=bass), name) for name in made.variants
    ]
    change = quantities.bass_change(*sides)
    assert change.bands_hz == (63, 125)
    assert change.t20_s[1, 0] == pytest.approx(2 * change.t20_s[0, 0], rel=0.05)
    first, last = (float(each.value_db[0]) for each in change.even)
    assert last > first > 1
    assert change.even[0].spread_db == pytest.approx(
        0, abs=1e-9
    )  # all points of the zone are alike here
    assert "T20 by waves at “seat”: 63 Hz 0.4" in bass_comparing.sentences(change)[0]
    times, error = wave_times(*sides)[125]
    assert times == pytest.approx(change.t20_s[:, 0, 1])
    assert error == 0
    [compared] = quantities.compare_variants(sides[0].origin)
    [balance] = comparing.balance(compared)
    assert balance.startswith("Lows change by 69 ±1 %, ")
    assert balance.endswith(
        "highs by 0 ±1 %: duller and boomier than before; only deeper "
        "absorbers or more air behind cure that"
    )
    bare = dataclasses.replace(sides[0].origin, bass=None)
    [rays] = comparing.balance(quantities.compare_variants(bare)[0])
    assert rays.startswith("Lows change by 0")


def test_no_change_without_the_bass_on_both_sides(made):
    bare = quantities.side_of(dataclasses.replace(made, bass=None), "base")
    assert quantities.bass_change(bare, quantities.side_of(made, "treated")) is None


def test_the_page_has_it_only_with_the_bass(made, monkeypatch):
    for name in ("svg", "png", "tiled_png"):
        monkeypatch.setattr(f"raysim.report.style.{name}", lambda *_anything: b"picture")
    files = compose_comparison(quantities.compare_variants(made))
    assert "response_change_01.png" in files
    page = files["compare.html"].decode("utf-8")
    assert "The bass, by waves" in page
    assert "run with --bass" not in page
    bare = compose_comparison(quantities.compare_variants(dataclasses.replace(made, bass=None)))
    assert "run with --bass" in bare["compare.html"].decode("utf-8")
