"""The safety page: what applies and nothing else, weights, distances, phases, whole by itself."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from raysim.report.safety import FILE, safety
from tests.results_made import exponential_result
from tests.treated import bedroom, panel

WALL = panel("own", "left", '"1.12m from the front, 1.2m up"', "cost = 45")
LATER = panel("later", "rear", "[1.0, 0.5]", "phase = 2")
FOAM = (
    '[treatments.tiles]\nkind = "tiles"\non = "front"\nat = [1.0, 0.3]\nsize = [0.5, 0.4]\n'
    'tiles = [3, 2]\nlayers = ["porous 50mm foam 8000"]\nfixing = "glued"\n'
)
CLOUD = (
    '[treatments.cloud]\nkind = "cloud"\non = "ceiling"\nsize = [1.2, 0.6]\nat = [1.0, 1.6]\n'
    'gap = "100mm"\nlayers = ["porous 100mm rock wool 45kg/m3"]\n'
)
SCREEN = (
    '[treatments.screen]\nkind = "screen"\nsize = [0.1, 0.8, 1.6]\nat = [2.9, 1.6, 0.0]\n'
    'layers = ["porous 100mm polyester 20kg/m3"]\n'
)
VENT = '[keep_clear.grille]\non = "rear"\nat = [2.4, 2.0]\nsize = [0.4, 0.2]\nreason = "vent"\n'


def of(folder, more, bass=False, variants=None):
    """The safety page of a bedroom with these treatments, all computed."""
    scene = bedroom(folder, more)
    names = variants or tuple(v.name for v in scene.variants)
    made = exponential_result(bass=bass, batches=2)
    return safety(replace(made, scene=scene, variants=names))


def heads(found):
    return re.findall(r"<dt>([^<]+)</dt>", found.html)


def test_only_what_applies(tmp_path):
    plain = heads(of(tmp_path, FOAM))
    assert plain[0] == "Fire"
    for head in ("Mineral fibre", "Overhead", "Tipping", "Drilling", "Hearing"):
        assert head not in plain
    every = heads(of(tmp_path, WALL + CLOUD + SCREEN + FOAM, bass=True))
    for head in ("Fire", "Mineral fibre", "Overhead", "Tipping", "Drilling", "Air", "Hearing"):
        assert head in every
    assert of(tmp_path, "") is None


def test_vents_doors_and_windows_are_named_with_the_nearest_piece(tmp_path):
    """The panel's right edge is 1.60 m from the rear's left corner, the grille begins at 2.40 m."""
    found = of(tmp_path, LATER + VENT)
    assert "&#39;grille&#39; must stay free" in found.html
    assert "7 l/s a person" in found.html
    assert "&#39;grille&#39; (vent)" in found.html
    (row,) = re.findall(r"<tr><th scope=\"row\">grille</th>.*?</tr>", found.html)
    assert "none" in row
    assert "later, 800 mm or more" in row
    unmarked = of(tmp_path, LATER)
    assert "No vent, grille or heater is marked" in unmarked.html


def test_weights_are_those_of_the_shopping_list(tmp_path):
    """0.072 m3 of 45 kg/m3 a cloud panel."""
    found = of(tmp_path, CLOUD)
    assert "3.2 kg in all" in found.html
    (row,) = re.findall(r"<tr><th scope=\"row\">cloud</th>.*?</tr>", found.html)
    assert "1200 × 600 × 100" in row
    assert "overhead" in row
    assert ">3.2<" in row
    assert "checked by a competent person" in found.html


def test_phases_that_another_variant_holds_are_not_shown_twice(tmp_path):
    nested = (
        '[variants.first]\ntreatments = ["own"]\n[variants.plan]\ntreatments = ["own", "later"]\n'
    )
    found = of(tmp_path, WALL + LATER + nested)
    assert re.findall(r"what is put up as “(\w+)”", found.html) == ["plan"]
    assert "All 2 phases together." in found.html
    apart = WALL + LATER + nested.replace('["own", "later"]', '["later"]')
    assert re.findall(r"as “(\w+)”", of(tmp_path, apart).html) == ["first", "plan"]


def test_the_page_stands_alone_and_defers_to_codes(tmp_path):
    found = of(tmp_path, WALL)
    page = found.files[FILE].decode("utf-8")
    assert "local codes and licensed practice decide" in page
    assert "Owner&#39;s written consent" in page
    assert not re.search(r"(src|href)=|@import|url\(", page)
    assert page.count("<section") == 1


@pytest.mark.parametrize("hazard", ["overhead", "tipping", "mineral"])
def test_words_of_hazards_that_are_not_there_are_nowhere(tmp_path, hazard):
    assert hazard not in of(tmp_path, FOAM).html.lower()
