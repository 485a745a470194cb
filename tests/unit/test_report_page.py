"""The page says what the quantities say, stands alone, and is written whole or not at all."""

from __future__ import annotations

import csv
import errno
import html.parser
import io
import math
import os
import re
from dataclasses import replace

import numpy as np
import pytest

from raysim.digits import rounded
from raysim.errors import ResultError
from raysim.quantities import early_reflections, evaluate_all, reverberation_time
from raysim.quantities.reflections import level_range_db
from raysim.report import page as page_module
from raysim.report import write_report
from raysim.report.listed import list_reflections
from raysim.report.page import compose
from raysim.report.tables import ORDER, PRINTED, reflection_rows
from raysim.report.words import early_intro
from tests.report_made import result, scene
from tests.results_made import exponential_result

HOSTILE = '<script>alert("1")</script> & Größe “x”'


class Page(html.parser.HTMLParser):
    """Tables as lists of rows of (class, text), all attributes, all text."""

    def __init__(self, text):
        super().__init__()
        self.tables, self.attributes, self.tags, self.text = [], [], [], []
        self.cell = None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, *pair) for pair in attrs]
        if tag == "table":
            self.tables.append((dict(attrs).get("class"), []))
        elif tag == "tr":
            self.tables[-1][1].append([])
        elif tag in ("td", "th"):
            self.cell = []
            self.tables[-1][1][-1].append((dict(attrs), self.cell))

    def handle_endtag(self, tag):
        if tag in ("td", "th"):
            self.cell = None

    def handle_data(self, data):
        self.text.append(data)
        if self.cell is not None:
            self.cell.append(data)

    def rows(self, kind):
        """Tables of one class: rows of joined texts."""
        return [
            [[" ".join("".join(parts).split()) for _, parts in row] for row in rows]
            for name, rows in self.tables
            if name == kind
        ]


@pytest.fixture(scope="module")
def made():
    return result()


@pytest.fixture(scope="module")
def files(made):
    return compose(made)


@pytest.fixture(scope="module")
def parsed(files):
    return Page(files["report.html"].decode("utf-8"))


def number(text):
    return float(text.replace("\N{MINUS SIGN}", "-"))


def test_quantity_cells_are_the_estimates_rounded_to_their_errors(made, parsed):
    estimates = evaluate_all(made)
    tables = parsed.rows("quantities")
    assert len(tables) == len(made.scene.sources)
    for s, rows in enumerate(tables):
        for b, row in enumerate(rows[1:]):
            reasons = [str(estimates[key].reason[0, s, 0, b]) for key in ORDER]
            if any(reasons):
                assert row[1:] == list(dict.fromkeys(reasons))
                continue
            for key, text in zip(ORDER, row[1:], strict=True):
                factor = PRINTED.get(key, (1.0, ""))[0]
                value = factor * estimates[key].value[0, s, 0, b]
                error = factor * estimates[key].standard_error[0, s, 0, b]
                shown, plus_minus = (number(part) for part in re.split(r"± ?", text))
                # Half a unit in the last printed place is at most half the error as printed.
                assert abs(shown - value) <= 0.51 * plus_minus
                assert abs(plus_minus - error) <= 0.34 * error


def test_bands_below_the_schroeder_frequency_are_greyed_with_the_reason(made, parsed):
    assert str(reverberation_time(made).reason[0, 0, 0, 0])
    for rows in parsed.rows("quantities"):
        assert rows[1][0] == "125 Hz"
        assert "below the Schroeder frequency" in rows[1][1]
        assert not any("±" in text for text in rows[1])
    greyed = [a for a, _ in _cells(parsed, "quantities") if a.get("class") == "undefined"]
    assert len(greyed) == 2 * len(made.scene.sources)


def _cells(parsed, kind):
    return [cell for name, rows in parsed.tables if name == kind for row in rows for cell in row]


def test_every_number_in_a_table_has_an_error_a_unit_or_a_range(parsed):
    for kind, rows in parsed.tables:
        heads = ["".join(parts) for _, parts in rows[0]]
        units = [bool(re.search(r"(s|dB|ms|%|1|m|m²)$", head.strip())) for head in heads]
        for row in rows[1:]:
            if any("colspan" in attrs for attrs, _ in row):
                continue
            for column, (attrs, parts) in enumerate(row):
                if attrs.get("class") == "number":
                    text = "".join(parts)
                    assert units[column], (kind, heads[column], text)
                    assert kind != "quantities" or "±" in text


def test_reflection_rows_equal_the_evaluation(made, parsed):
    (rows,) = parsed.rows("reflections")
    judged = {
        (
            made.scene.sources[e.reflection.source].name,
            e.path.replace(", ", ", then "),
            f"{1e3 * e.reflection.delay_s:.2f}",
        ): e
        for e in early_reflections(made)
    }
    orders = []
    for row in rows[1:]:
        one = judged[row[1], row[2], row[3]]
        orders.append(one.reflection.order)
        # One decimal is printed.
        level, low, high = map(number, re.fullmatch(r"(.*?\.\d)(.*) to (.*)", row[4]).groups())
        printed = (one.level_db, *level_range_db(made, one.reflection))
        assert (level, low, high) == pytest.approx(printed, abs=0.05 + 1e-9)
        verdict, _, doubt = row[6].partition(" ")
        assert verdict == ("within" if one.is_met else "above")
        assert bool(doubt) == (printed[1] <= -10 < printed[2])
        for place in one.places:
            assert f"{100 * place.edges[0][1]:.0f} cm" in row[5]
    assert orders == sorted(orders)
    assert [row[0] for row in rows[1:]] == [str(n) for n in range(1, len(rows))]


def test_points_of_the_left_surface_are_where_the_mirror_image_says(parsed):
    # Plane mirror geometry: the point divides the way along the surface as 1.1 to 1.7, so it
    # lies at 0.6 + 1.04 * 1.1/2.8 = 1.009 m from the front, 1.20 m high, 5.20 ms late.
    (rows,) = parsed.rows("reflections")
    row = next(r for r in rows if r[1:3] == ["Left", "left"])
    assert row[3] == "5.20"
    assert row[5] == "120 cm (47¼ in) above the floor, 101 cm (39¾ in) from its front edge"


def test_summary_names_the_worst_reflection_and_says_what_is_not_answered(made, parsed):
    text = " ".join("".join(parsed.text).split())
    worst = max(early_reflections(made), key=lambda e: e.level_db)
    assert worst.path == "desk"
    assert "comes off “desk” (no. 1): it reaches “seat” about 0.9 ms after" in text
    assert "panels on the walls will not cure it" in text
    assert "Not answered here: the bass below about" in text
    assert "specular" not in text


def test_csv_equals_the_page(made, files, parsed):
    rows = list(csv.DictReader(io.StringIO(files["quantities.csv"].decode("utf-8"))))
    assert len(rows) == 9 * 2 * 6
    table = parsed.rows("quantities")[1]
    for row in rows:
        if row["source"] != "Right" or row["reason"]:
            continue
        line = next(r for r in table if number_of_band(r[0]) == float(row["band_hz"]))
        factor = PRINTED.get(row["quantity"], (1.0, ""))[0]
        value, error = factor * float(row["value"]), factor * float(row["standard_error"])
        shown, plus_minus = rounded(value, error)
        assert line[1 + ORDER.index(row["quantity"])].replace(" ", "") == f"{shown}±{plus_minus}"
    reflections = list(csv.DictReader(io.StringIO(files["reflections.csv"].decode("utf-8"))))
    assert len(reflections) == len(made.reflections)
    (listed,) = parsed.rows("reflections")
    by_number = {row["number"]: row for row in reflections if row["number"]}
    for row in listed[1:]:
        assert f"{float(by_number[row[0]]['delay_ms']):.2f}" == row[3]


def number_of_band(name):
    if not name.endswith("Hz"):
        return None
    return float(name.split()[0]) * (1000 if name.endswith("kHz") else 1)


def test_page_needs_nothing_else(files, parsed):
    links = [v for tag, name, v in parsed.attributes if name in ("src", "href", "srcset")]
    assert links
    assert all(link.startswith("data:image/svg+xml;base64,") for link in links)
    text = files["report.html"].decode("utf-8")
    style = text[text.index("<style>") : text.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    assert not {"script", "link", "iframe", "object", "embed"} & set(parsed.tags)
    assert not re.search(r"https?://", re.sub(r"base64,[A-Za-z0-9+/=]+", "", text))


def test_names_are_escaped_wherever_they_come_from():
    room = scene(title=HOSTILE, seat=HOSTILE)
    room = replace(
        room,
        notes=(HOSTILE,),
        warnings=(HOSTILE,),
        surfaces=tuple(replace(s, name=HOSTILE) for s in room.surfaces),
        facets=tuple(replace(f, name=HOSTILE) for f in room.facets),
        materials=tuple(replace(m, name=HOSTILE, source=HOSTILE) for m in room.materials),
        sources=tuple(replace(s, name=f"{HOSTILE} {i}") for i, s in enumerate(room.sources)),
        path=HOSTILE,
    )
    files = compose(replace(result(room, batches=4), stopped_by=HOSTILE, variants=(HOSTILE,)))
    hostile = Page(files["report.html"].decode("utf-8"))
    assert "script" not in hostile.tags
    assert HOSTILE in "".join(hostile.text)
    assert all("/" not in name and "<" not in name for name in files)


def test_every_picture_is_also_a_file(files):
    pictures = {name for name in files if name.endswith(".png")}
    assert {
        "plan.png",
        "section.png",
        "decay.png",
        "energy_time.png",
        "quantities.png",
        "early_reflections.png",
    } <= pictures
    assert sum(name.startswith("surface_") for name in pictures) == 7
    assert all(files[name].startswith(b"\x89PNG") for name in pictures)


def test_files_are_written_and_returned_page_first(made, files, tmp_path, monkeypatch):
    monkeypatch.setattr(page_module, "compose", lambda _result, _tones: files)
    folder = tmp_path / "Bericht für Größe"
    paths = write_report(made, folder)
    assert paths[0] == folder / "report.html"
    assert {p.name: p.read_bytes() for p in paths} == files
    assert {p.name for p in folder.iterdir()} == set(files)
    assert [p.name for p in tmp_path.iterdir()] == [folder.name]


@pytest.mark.parametrize(
    ("code", "words"),
    [(errno.ENOSPC, "the disk is full"), (errno.EACCES, "may not be written to")],
)
def test_failure_half_way_leaves_nothing(made, files, tmp_path, monkeypatch, code, words):
    def failing(_descriptor):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(page_module, "compose", lambda _result, _tones: files)
    monkeypatch.setattr(os, "fsync", failing)
    folder = tmp_path / "report"
    with pytest.raises(ResultError, match=words) as caught:
        write_report(made, folder)
    assert str(folder) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_unusable_folders_are_refused_before_anything_is_drawn(made, tmp_path, monkeypatch):
    monkeypatch.setattr(page_module, "compose", lambda _result: pytest.fail("drawn"))
    (tmp_path / "file").write_text("x")
    for folder, words in (
        (tmp_path / "file", "a file has that name"),
        (tmp_path / "file" / "below", "is a file"),
        (tmp_path / "none" / "below", "does not exist"),
    ):
        with pytest.raises(ResultError, match=words):
            write_report(made, folder)


def test_without_bands_of_the_criterion_it_is_said_not_guessed(made):
    low_bands = (63.0, 125.0, 250.0, 500.0, 630.0, 800.0)
    low = replace(made, scene=replace(made.scene, bands_hz=low_bands))
    rows = reflection_rows(low, list_reflections(low))
    assert {row["level_db"] for row in rows} == {"–"}
    assert {row["verdict"] for row in rows} == {"not judged"}
    assert {row["level_range_db"] for row in rows} == {""}
    assert "not judged" in early_intro(low)


@pytest.fixture
def unrendered(monkeypatch):
    """Pictures are composed but not rendered."""
    for name in ("svg", "png", "tiled_png"):
        monkeypatch.setattr(f"raysim.report.style.{name}", lambda *_anything: b"picture")


@pytest.mark.usefixtures("unrendered")
@pytest.mark.parametrize("receivers", [1, 2, 3])
def test_every_receiver_is_shown(receivers, monkeypatch):
    """Up to a limit; beyond it the first, and all in the tables side by side."""
    monkeypatch.setattr("raysim.report.seats.MOST_SHOWN", 2)
    made = exponential_result(receivers=receivers, batches=4)
    composed = compose(made)
    text = composed["report.html"].decode("utf-8")
    page = Page(text)
    shown = receivers if receivers <= 2 else 1
    names = [receiver.name for receiver in made.scene.receivers]
    assert len(page.rows("reflections")) == shown
    for index, name in enumerate(names):
        assert (f"Early reflections at “{name}”" in text) == (index < shown)
    assert ("pictures and lists below are of the first" in text) == (shown < receivers)
    pngs = [name for name in composed if name.endswith("plan.png")]
    assert len(pngs) == shown
    compared = page.rows("plain positions")
    assert len(compared) == (3 if receivers > 1 else 0)
    estimates = evaluate_all(made)
    for rows, key in zip(compared, ("T20", "C50", "G"), strict=False):
        assert [row[:2] for row in rows[1:]] == [
            [name, source.name] for name in names for source in made.scene.sources
        ]
        last = rows[-1]
        assert last[2] == "–"  # 125 Hz is below the Schroeder frequency
        shown_value, plus_minus = (number(part) for part in re.split(r"± ?", last[-1]))
        assert (shown_value, plus_minus) == tuple(
            number(part)
            for part in rounded(
                float(estimates[key].value[0, -1, -1, -1]),
                float(estimates[key].standard_error[0, -1, -1, -1]),
            )
        )


@pytest.mark.usefixtures("unrendered")
def test_numbers_in_the_csv_are_those_of_each_receivers_list():
    made = exponential_result(receivers=2, batches=4)
    rows = list(csv.DictReader(io.StringIO(compose(made)["reflections.csv"].decode("utf-8"))))
    for receiver in made.scene.receivers:
        numbers = [r["number"] for r in rows if r["receiver"] == receiver.name and r["number"]]
        assert sorted(map(int, numbers)) == list(range(1, 13))


@pytest.mark.usefixtures("unrendered")
def test_delays_carry_the_tolerance_of_the_tape():
    """The ceiling, 10 mm off: worked by hand from 2 cos of the angle of incidence."""
    made = exponential_result(batches=4, sources=1)
    scene = replace(made.scene, tolerance_m=0.01)
    page = Page(compose(replace(made, scene=scene))["report.html"].decode("utf-8"))
    (rows,) = page.rows("reflections")
    cell = next(row[3] for row in rows[1:] if row[2] == "ceiling")
    run_m, rise_m = math.hypot(0.75, 1.3), 2 * (2.6 - 1.2)
    leg = np.array([run_m, rise_m]) / math.hypot(run_m, rise_m)
    end = math.hypot(1 - leg[0], leg[1])  # the legs' turn from the direct sound, at either end
    lengths_mm = 10 * math.sqrt(2 * end**2 + (2 * leg[1]) ** 2)
    expected_ms = lengths_mm / scene.climate.speed_of_sound
    delay_ms, tolerance_ms = (float(part) for part in re.split(r"± ?", cell))
    assert tolerance_ms == pytest.approx(expected_ms, abs=0.005)
    assert delay_ms == pytest.approx(
        1e3 * (math.hypot(run_m, rise_m) - run_m) / scene.climate.speed_of_sound, abs=0.005
    )
    assert any("what the tape leaves open" in text for text in page.text)
