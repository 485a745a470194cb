"""No number on the first page without what is open of it: room alone, variants, bass, a plan."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

import raysim
from raysim.quantities import compare_variants, side_of
from raysim.quantities.reflections import level_range_db
from raysim.report import comparing, words
from raysim.report.first_words import first_words
from raysim.report.listed import list_reflections
from raysim.scene.variants import scene_of
from tests.results_made import exponential_result
from tests.treated import bedroom, panel

NUMBER = re.compile(r"\d+(?:\.\d+)?(?= (?:ms|s|dB|m³)\b| %)")
OPEN = re.compile(r"(±|about|give or take|\bto)\s*$")
GIVEN = (
    "die away by 60 dB",
    "asks for 10 dB or more",
    "the 10 dB below direct",
    "in the first 15 ms",
    "s, give or take 0.05 s",
)
"""Of definitions and guides, not of this room."""


def bare_numbers(text):
    """Numbers with a unit that have neither ± nor a range nor 'about'."""
    for phrase in GIVEN:
        text = text.replace(phrase, "")
    text = re.sub(r"the \d\.\d+ s?(?=, that|, give| that a guide)", "", text)
    text = re.sub(r"the \d\.\d+ (or more, )?that a guide", "", text)
    return [
        text[max(0, m.start() - 30) : m.end() + 30]
        for m in NUMBER.finditer(text)
        if not OPEN.search(text[: m.start()])
        and not re.match(r" dB (weaker|stronger) than it \(", text[m.end() :])
    ]


def page_one(result, compared=()):
    """All that stands above the first picture."""
    first = side_of(result, result.variants[0]).result
    listed = list_reflections(first)
    worst = words.worst_reflection(first, listed, 0)
    said = [text for _, text in first_words(result, listed, compared)]
    said += [words.facts(first), *words.summary(first, worst, 0)]
    return " ".join([*said, *(s for one in compared for s in comparing.sentences(one))])


@pytest.mark.parametrize("tolerance", [None, 0.01])
@pytest.mark.parametrize("bass", [False, True])
@pytest.mark.parametrize("variants", [1, 2])
def test_made_rooms(tolerance, bass, variants):
    made = exponential_result(
        bass=bass, variants=("base", "other")[:variants], batches=8, noise=0.3
    )
    made = replace(made, scene=replace(made.scene, tolerance_m=tolerance))
    compared = compare_variants(made) if variants > 1 else ()
    text = page_one(made, compared)
    assert bare_numbers(text.replace(f"{made.scene.volume:.1f} m³", "")) == []
    assert bool(re.search(r"about \d\.\d ms", text)) == (tolerance is None)
    if tolerance:
        assert re.search(r"51\.7 ± 0\.3 m³", text)


def test_a_plan_in_phases(tmp_path):
    pieces = panel("own", "left", '"1.12m from the front, 1.2m up"', "cost = 45")
    pieces += panel("later", "rear", "[1.0, 0.5]", "cost = 30.5\nphase = 2")
    scene = bedroom(tmp_path, pieces)
    result = raysim.run(scene, raysim.Settings(rays=64, image_order=1))
    first = replace(result, scene=scene_of(scene, scene.variants[0]))
    compared = compare_variants(result)
    said = dict(first_words(result, list_reflections(first), compared))
    assert bare_numbers(" ".join(said.values())) == []
    assert re.match(r"75\.5 for 2 pieces", said["Cost"])
    assert bare_numbers(" ".join(comparing.sentences(compared[0]))) == []


def test_bare_numbers_are_found():
    assert bare_numbers("it comes 0.9 ms after and is 2.5 dB weaker than it.")
    assert bare_numbers("Lows change by −21 %")
    assert not bare_numbers("it comes 0.90 ± 0.04 ms after, −21 ±2 %, about 4 ms, 2.1 to 3.0 dB")


def test_levels_within_the_materials_ranges():
    """Absorption 0.1 within 0.05 to 0.3 at two surfaces: 20 lg(0.95/0.9), 20 lg(0.7/0.9)."""
    made = exponential_result(batches=4)
    materials = tuple(
        replace(
            m,
            absorption=np.full(6, 0.1),
            absorption_low=np.full(6, 0.05),
            absorption_high=np.full(6, 0.3),
        )
        for m in made.scene.materials
    )
    made = replace(made, scene=replace(made.scene, materials=materials))
    path = next(p for p in made.reflections if p.order == 1)
    twice = replace(path, facets=(*path.facets, *path.facets), points=np.vstack([path.points] * 2))
    low, high = level_range_db(made, twice)
    level = max(path.level_db[3:6])
    assert high - level == pytest.approx(20 * np.log10(0.95 / 0.9), abs=1e-9)
    assert low - level == pytest.approx(20 * np.log10(0.7 / 0.9), abs=1e-9)
