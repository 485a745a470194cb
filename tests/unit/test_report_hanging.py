"""Elevations to build from: files read back, lists that agree, slips, twins, plain words."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from types import SimpleNamespace

import ezdxf
import numpy as np
import pytest
from lxml import etree

import raysim
from raysim.quantities import compare_variants
from raysim.quantities.slips import find_slips
from raysim.report import cut_sheets, hanging
from raysim.report.first_words import MOST_WORDS, count_words, first_words
from raysim.report.listed import list_reflections
from raysim.report.walls import Hanging, Wall, twins_of, walls_of
from raysim.scene.shopping import shopping
from raysim.scene.variants import scene_of
from tests.treated import bedroom, panel

MM = 1000
PIECES = (
    panel("own_left", "left", '"1.12m from the front, 1.2m up"', "cost = 45")
    + panel("own_right", "right", '"1.12m from the front, 1.2m up"', "cost = 45")
    + panel("behind", "rear", "[1.0, 0.503]", 'cost = 30.5\nphase = 2\ngap = "50mm"')
    + '[treatments.foam]\nkind = "tiles"\non = "front"\nat = [1.0, 0.3]\nsize = [0.5, 0.4]\n'
    'tiles = [3, 2]\nlayers = ["porous 50mm foam 8000"]\n'
)


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return bedroom(tmp_path_factory.mktemp("hanging"), PIECES)


@pytest.fixture(scope="module")
def variant(scene):
    return scene.variants[1]


@pytest.fixture(scope="module")
def walls(scene, variant):
    return walls_of(scene, variant)


@pytest.fixture(scope="module")
def result(scene):
    return raysim.run(scene, raysim.Settings(rays=64, image_order=1))


def from_plan(scene, piece):
    """Left edge, lower edge, width, height in mm by the body itself, not by the drawing."""
    facet = scene.facets[piece.facet]
    left = min(facet.u @ v for v in scene.mesh.vertices)
    across = piece.corners @ facet.u - left
    up = piece.corners[:, 2]
    return np.array([across.min(), up.min(), np.ptp(across), np.ptp(up)]) * MM


def test_svg_read_back_is_the_plan_to_a_millimetre(scene, walls):
    found = 0
    for wall in walls:
        root = etree.fromstring(cut_sheets.svg(wall))
        height = wall.size[1] * MM
        pieces = {piece.name: piece for piece in scene.treatments}
        for rect in root.iter(f"{{{cut_sheets.SVG}}}rect"):
            if "data-piece" not in rect.attrib:
                continue
            x, y, wide, tall = (float(rect.get(k)) for k in ("x", "y", "width", "height"))
            drawn = np.array([x, height - y - tall, wide, tall])
            wanted = from_plan(scene, pieces[rect.get("data-piece")])
            assert drawn == pytest.approx(wanted, abs=1)
            assert float(rect.get("data-from-floor-mm")) == pytest.approx(wanted[1], abs=1)
            found += 1
    assert found == len(scene.treatments) == 9


def test_numbers_of_dimensions_lie_beside_pieces_and_doors():
    """A dimension that runs behind a piece and a door has its number where neither is."""
    low, high = ((0.5, 0.6, 1.1, 1.8), (2.4, 1.23, 3.0, 2.43))
    door = np.array([(1.2, 0.0), (2.0, 0.0), (2.0, 2.0), (1.2, 2.0)])
    pieces = [Hanging(n, named(n), rect) for n, rect in enumerate((low, high), start=1)]
    outline = np.array([(0.0, 0.0), (6.0, 0.0), (6.0, 2.5), (0.0, 2.5)])
    wall = Wall("left", True, (6.0, 2.5), (outline,), (("door", door),), (), tuple(pieces))
    root = etree.fromstring(cut_sheets.svg(wall))
    at = [float(t.get("x")) for t in root.iter(f"{{{cut_sheets.SVG}}}text") if t.text == "2400"]
    assert len(at) == 1
    assert not any(first - 130 < at[0] < last + 130 for first, last in ((500, 1100), (1200, 2000)))
    kinds = [etree.QName(element).localname for element in root]
    assert max(k for k, kind in enumerate(kinds) if kind == "line") < kinds.index("rect")


def named(number):
    return SimpleNamespace(name=f"piece {number}", thickness_m=0.1, gap_m=0.0)


def test_dxf_read_back_is_the_plan_to_a_millimetre(scene, walls):
    document = ezdxf.read(io.StringIO(cut_sheets.dxf(walls, "test").decode("utf-8")))
    assert document.units == ezdxf.units.MM
    assert not document.audit().errors
    boxes = [
        np.array(line.get_points("xy"))
        for line in document.modelspace().query('LWPOLYLINE[layer=="piece"]')
    ]
    start, wanted = 0.0, []
    for wall in walls:
        for one in wall.hangings:
            place = from_plan(scene, one.treatment)
            wanted.append([place[0] + start, *place[1:]])
        start += wall.size[0] * MM + cut_sheets.BETWEEN_MM
    drawn = [[*box.min(axis=0), *np.ptp(box, axis=0)] for box in boxes]
    assert np.array(drawn) == pytest.approx(np.array(wanted), abs=1)


def test_keep_clear_zones_are_drawn_where_they_are(walls):
    right = next(wall for wall in walls if wall.name == "right")
    [(reason, hard, rect)] = right.zones
    assert (reason, hard) == ("door, swings in", True)
    assert rect == pytest.approx((3.3, 0.0, 4.1, 2.0))


def test_page_and_file_have_one_shopping_list(scene, variant):
    [total] = shopping(scene, [variant.name])
    rows = hanging.shopping_rows(total)
    read = list(csv.reader(io.StringIO(hanging.shopping_csv(rows))))
    assert read[1:] == rows
    assert tuple(read[0]) == hanging.SHOPPING_HEADS
    assert [(row[0], row[8]) for row in rows[:-1]] == [
        ("own_left and 1 like it", "2"),
        ("behind", "1"),
        ("foam", "6"),
    ]
    costs = [float(row[-1]) for row in rows[:-1] if row[-1] != hanging.UNKNOWN]
    assert sum(costs) == pytest.approx(float(rows[-1][-1].split(" +")[0])) == 120.5
    assert rows[-1][-1].endswith("6 not known")
    assert sum(int(row[8]) for row in rows[:-1]) == int(rows[-1][8]) == 9


def test_left_and_right_are_equal_or_flagged(scene, variant, tmp_path):
    [twin] = [t for t in twins_of(scene, variant) if t.one == "own_left"]
    assert twin.other == "own_right"
    assert twin.is_equal
    moved = bedroom(tmp_path, PIECES.replace('"right"\nat = "1.12m', '"right"\nat = "1.15m'))
    [off] = [t for t in twins_of(moved, moved.variants[1]) if t.one == "own_left"]
    assert off.apart_m == pytest.approx(0.03, abs=1e-6)
    assert not off.is_equal


def test_a_wide_panel_forgives_and_a_narrow_one_does_not(result, variant, tmp_path):
    """The need on the left wall is 38 cm wide; 60 cm about its middle forgive 5 cm."""
    slips = {one.treatment: one for one in find_slips(result, variant)}
    assert not slips["own_left"].is_critical
    narrow = PIECES.replace("size = [0.6, 1.2]", "size = [0.4, 1.2]")
    small = bedroom(tmp_path, narrow)
    changed = replace(result, scene=small)
    slips = {one.treatment: one for one in find_slips(changed, small.variants[1])}
    assert slips["own_left"].bared > 0.05
    assert slips["own_left"].is_critical


def test_section_has_a_list_to_check_and_its_files(result):
    section = hanging.hanging_section(result)
    assert "mm above the floor (±10 mm)" in section.html
    assert {name.rpartition(".")[2] for name in section.files} == {"svg", "dxf", "csv"}


def test_first_words_are_plain_and_few(result):
    listed = list_reflections(
        replace(result, scene=scene_of(result.scene, result.scene.variants[0]))
    )
    said = first_words(result, listed, compare_variants(result))
    assert [head for head, _ in said] == ["Wrong", "First", "Cost", "Will change", "Won't change"]
    assert count_words(said) <= MOST_WORDS
    text = " ".join(text for _, text in said)
    assert "desk" in text  # the strongest reflection, which no wall panel cures
    assert "no panel on a wall helps" in text
    assert "120.5 for 9 pieces" in text
    for jargon in ("specular", "T20", "Schroeder", "coefficient"):
        assert jargon not in text


def test_first_words_of_a_closet_promise_no_more_than_it_can_hold(result):
    """One voice, 7 m3: no pair of loudspeakers to place, and a word on what sounds boxy."""
    voice = result.scene.sources[:1]
    closet = replace(result, scene=replace(result.scene, volume=7.0, sources=voice))
    said = dict(first_words(closet, [], []))
    assert "boxy" in said["Boxy"]
    assert "10 cm and more" in said["Boxy"]
    assert count_words(first_words(closet, list_reflections(result), [])) <= MOST_WORDS
    assert "raysim place" not in said["First"]
    assert "--bass" in said["First"]
    assert "Boxy" not in dict(first_words(result, [], []))
    assert "raysim place" in dict(first_words(result, [], []))["First"]
