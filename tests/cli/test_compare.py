"""Variants from the shell: run them, compare them, see the page."""

from __future__ import annotations

import csv
import io
import json
import shutil

import click
import pytest

from raysim.cli.main import main
from raysim.cli.names import TakesVariants
from raysim.cli.summary import print_summary
from raysim.report.compare_page import compose_comparison
from raysim.report.comparing import anchor
from raysim.results.store import load_result
from tests.cli.conftest import SCENE

QUICK = ["--rays", "32", "--image-order", "1", "--no-bass", "--no-maps"]
VARIANTS = """
[variants.bare]
surfaces = { floor = "plaster" }

[variants.rug]
surfaces = { floor = "heavy carpet on foam underlay" }
"""


@pytest.fixture(scope="session")
def treated(tmp_path_factory):
    """A result with three variants; the third is what the base is."""
    place = tmp_path_factory.mktemp("variants")
    (place / "room.toml").write_text(SCENE + VARIANTS, encoding="utf-8")
    path = place / "room.h5"
    assert main(["run", str(place / "room.toml"), "-o", str(path), *QUICK]) == 0
    return path


def test_run_computes_all_and_says_what_they_change(capsys, treated):
    result = load_result(treated)
    assert result.variants == ("base", "bare", "rug")
    print_summary(result)
    said = capsys.readouterr().out
    assert "Quantities of 'base' ± standard error" in said
    assert "base to rug: no difference you could notice" in said


@pytest.mark.parametrize(
    "words",
    [
        ["room.toml", "--variant", "base", "bare"],
        ["room.toml", "--variant", "base", "--variant", "bare", "--json"],
        ["--variant", "base", "bare", "room.toml"],
        ["--variant", "base", "bare", "--json", "room.toml"],
    ],
)
def test_an_option_takes_several_names(words):
    taken = []

    @click.command(cls=TakesVariants)
    @click.argument("scene")
    @click.option("--variant", multiple=True)
    @click.option("--json", is_flag=True)
    def command(scene, variant, json):  # noqa: ARG001
        taken.extend([scene, *variant])

    command.main(words, standalone_mode=False)
    assert taken == ["room.toml", "base", "bare"]


def test_run_computes_the_named_and_extend_goes_on_with_them(raysim, folder):
    (folder / "room.toml").write_text(SCENE + VARIANTS, encoding="utf-8")
    assert raysim("run", "room.toml", "--variant", "bare", *QUICK).code == 0
    outcome = raysim(
        "run", "room.toml", "-o", "more.h5", "--extend", "room.h5", "--rays", 9000, "--no-bass"
    )
    assert outcome.code == 0
    result = load_result("more.h5")
    assert (result.variants, result.rounds) == (("bare",), 2)


def test_compare_prints_every_change_with_its_error(raysim, treated):
    outcome = raysim("compare", treated)
    assert outcome.code == 0
    bare, rug = outcome.out.split("base to rug: ")
    assert bare.strip().startswith("base to bare: ")
    row = next(line for line in bare.splitlines() if line.startswith("T20 (s)"))
    assert "+" in row
    assert "±" in row
    assert rug.startswith("no difference you could notice")
    assert "ISO 3382-1:2009, table A.1" in rug


def test_compare_named_variants_and_the_same_file_twice(raysim, treated):
    outcome = raysim("compare", "--variant", "bare", "base", treated, "--json")
    (one,) = json.loads(outcome.out)["comparisons"]
    assert one["after"] == "base"
    again = raysim("compare", treated, treated, "--variant", "bare", "base", "--json")
    (other,) = json.loads(again.out)["comparisons"]
    assert other["differences"] == one["differences"]
    assert other["is_paired"]


def test_json_holds_numbers_errors_reasons_and_words(raysim, treated):
    data = json.loads(raysim("compare", treated, "--json").out)
    assert data["before"] == "base"
    assert data["noticeable_steps"]["EDT"]["size"] == 0.05
    bare, rug = data["comparisons"]
    t20 = next(one for one in bare["differences"] if one["quantity"] == "T20")
    assert t20["place"][0] == "mean over 2 pairs"
    assert t20["of"][3] == "1 kHz"
    assert t20["change"][0][3] > 0 < t20["standard_error"][0][3]
    assert 0 < t20["before_standard_error"][0][3] < 0.2 * t20["before"][0][3]
    assert 0 < t20["after_standard_error"][0][3] < 0.2 * t20["after"][0][3]
    assert t20["change"][0][0] is None
    assert "Schroeder" in t20["reason"][0][0]
    same = next(one for one in rug["differences"] if one["quantity"] == "T20")
    assert same["change"][0][3] == same["standard_error"][0][3] == 0.0
    assert same["verdict"][0][3] == "no difference you could notice"


def test_checks_end_with_1_where_one_is_not_met(raysim, treated):
    outcome = raysim("compare", treated, "--checks")
    assert outcome.code == 1
    assert "criteria are not met" in outcome.out
    assert "strongest reflection within 15 ms" in outcome.out


def test_a_single_variant_has_nothing_to_be_compared_with(raysim, computed):
    outcome = raysim("compare", computed)
    assert outcome.code == 2
    assert "'base' is its only variant; give another result beside it" in outcome.err
    assert raysim("compare", computed, computed).code == 0


def test_unknown_variant_suggests_the_nearest(raysim, treated):
    outcome = raysim("compare", treated, "--variant", "base", "bear")
    assert outcome.code == 2
    assert "no variant 'bear' was computed; did you mean 'bare'?" in outcome.err


def test_a_variant_is_not_compared_with_itself(raysim, treated):
    outcome = raysim("compare", treated, "--variant", "base", "base")
    assert outcome.code == 2
    assert "'base' is named twice, and nothing differs from itself; compare it" in outcome.err


@pytest.mark.usefixtures("unrendered")
def test_page_and_csv_are_written(raysim, folder, treated):
    shutil.copy(treated, "room.h5")
    outcome = raysim("compare", "room.h5", "-o", "compared")
    assert outcome.code == 0
    assert "next: open compared/compare.html" in outcome.out
    page = (folder / "compared/compare.html").read_text("utf-8")
    assert 'id="rug"' in page
    assert "<script" not in page
    assert 'src="http' not in page
    rows = list(csv.DictReader(io.StringIO((folder / "compared/differences.csv").read_text())))
    t20 = [row for row in rows if (row["quantity"], row["after"]) == ("T20", "bare")]
    assert len(t20) == 3 * 6
    content = json.loads(raysim("compare", "room.h5", "--json").out)["comparisons"][0]
    known = next(one for one in content["differences"] if one["quantity"] == "T20")
    assert float(t20[3]["change"]) == pytest.approx(known["change"][0][3], rel=1e-8)
    assert t20[3]["verdict"] == known["verdict"][0][3]


def test_report_shows_the_first_and_what_the_others_change(raysim, folder, treated, monkeypatch):
    for name in ("svg", "png", "tiled_png"):
        monkeypatch.setattr(f"raysim.report.style.{name}", lambda *_anything: b"picture")
    assert raysim("report", treated, "-o", "shown").code == 0
    page = (folder / "shown/report.html").read_text("utf-8")
    assert "What the variants change" in page
    assert "This page shows “base” in full" in page


@pytest.mark.usefixtures("unrendered")
def test_more_variants_than_looks_share_one_scale(treated, monkeypatch):
    from raysim.quantities.comparison import compare_variants
    from raysim.report import changes

    kept = []
    same = changes._same_scale
    monkeypatch.setattr(changes, "_same_scale", lambda axes: (same(axes), kept.append(axes)))
    result = load_result(treated)
    compared = compare_variants(result) * 3
    files = compose_comparison(compared)
    assert {"compare.html", "differences.csv", "t20_changes.png"} <= set(files)
    assert len(kept[0]) == 2
    assert len({axes.get_ylim() for axes in kept[0]}) == 1
    assert anchor("a b/c") == "a-b-c"
