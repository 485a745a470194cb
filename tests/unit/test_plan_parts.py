"""Warnings for common mistakes, the text of a plan's scene file, and catalogues."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from raysim.digits import tidy
from raysim.plan.aim import Weights, steps_outside, steps_uneven, summed_excess_db
from raysim.plan.catalogue import Limits, with_limits
from raysim.plan.measure import Bench
from raysim.plan.mistakes import RULES, mistakes
from raysim.plan.places import in_the_way, survey
from raysim.plan.written import toml
from raysim.quantities.balance import balance_sentence
from raysim.scene.collisions import Reach
from tests.planned import CATALOGUE, catalogue, room_text, workshop

SEAT = "position = [1.4, 1.62, 1.2]"
WOOL = 'layers = ["porous 100mm glass wool 40kg/m3"]'
TRAP = '[items.t]\nkind = "corner trap"\nsize = "{}"\ncost = 1\nlayers = ["porous 100mm 12000"]\n'
EGGS = (
    '[items.egg_boxes]\nkind = "panel"\nsize = [0.3, 0.3]\ncost = 1\n'
    'layers = ["porous 50mm 9000"]\n'
)
GLUED = 'fixing = "glued"\n'

# what shows a mistake: (changed in the room, changed in the catalogue, name, said)
SHOWN = {
    "sound insulation": (("Invented small", "Soundproof"), (), "insulation", "what leaves it"),
    "seat at half the length": ((SEAT, "position = [1.4, 1.8, 1.2]"), (), "half length", "48 Hz"),
    "seat by percent": ((SEAT, "position = [1.4, 1.368, 1.2]"), (), "percent rule", "0.38"),
    "seat at the rear wall": ((SEAT, "position = [1.4, 3.4, 1.2]"), (), "rear wall", "0.20 m"),
    "ears at half the height": ((), (), "half height", "72 Hz"),
    "a cube": (("2.8, 2.4]", "2.8, 2.8]"), (), "equal sides", "61 Hz, is there twice"),
    "loudspeakers off the wall": ((), (), "front notch", "123 Hz"),
    "one loudspeaker": (
        ("[sources.right]\nposition = [2.0, 0.7, 1.2]\n", ""), (), "one loudspeaker", "one source",
    ),
    "small trap": ((), (GLUED, GLUED + TRAP.format("15cm")), "small trap", "15 cm"),
    "deep and dense": (
        (), (WOOL, 'layers = ["porous 400mm 40000"]'), "dense", "lighter wool absorbs more bass",
    ),
    "closed face": (
        (), (WOOL, 'layers = ["membrane 3kg/m2", "porous 100mm 12000"]'), "sealed", "highs",
    ),
    "egg boxes": ((), (GLUED, GLUED + EGGS), "odd stuff", "never"),
}  # fmt: skip


def warned(folder, room=(), goods=(), dismissed=()):
    text, listed = room_text(), CATALOGUE
    text = text.replace(*room) if room else text
    listed = listed.replace(*goods) if goods else listed
    assert (text != room_text()) == bool(room)
    if dismissed:
        listed += f"[warnings]\ndismiss = {list(dismissed)}\n".replace("'", '"')
    found = mistakes(workshop(folder, text), catalogue(folder, listed), ())
    return {one.name: one.sentence for one in found}


@pytest.mark.parametrize("case", SHOWN.values(), ids=SHOWN)
def test_a_mistake_is_warned_of_where_the_input_shows_it(tmp_path, case):
    room, goods, name, said = case
    assert said in warned(tmp_path, room, goods)[name]
    assert name not in warned(tmp_path, room, goods, (name,))


def test_a_fair_room_is_warned_of_nothing_but_heights_and_walls(tmp_path):
    assert set(warned(tmp_path)) == {"half height", "front notch"}


def test_every_warning_is_said_once(tmp_path):
    found = mistakes(workshop(tmp_path, room_text()), catalogue(tmp_path), ())
    names = [one.name for one in found]
    assert len(names) == len(set(names))
    assert set(names) <= set(RULES)


def test_thin_panels_alone_and_a_panel_without_mate(tmp_path):
    door = '[keep_clear.door]\non = "left"\nat = [0, 0]\nsize = [3.6, 2.4]\nreason = "door"\n'
    thin = CATALOGUE.replace("100mm", "50mm").replace(
        "cost = 50", 'cost = 50\nplaces = "side walls"'
    )
    shop, listed = workshop(tmp_path, room_text(more=door)), catalogue(tmp_path, thin)
    sites = survey(shop, listed.items, Limits()).sites
    assert sites
    assert all(len(site.sections) == 1 for site in sites)
    found = {one.name for one in mistakes(shop, listed, sites[:1])}
    assert {"thin", "asymmetry"} <= found


def test_left_and_right_are_mirror_images(tmp_path):
    shop = workshop(tmp_path, room_text())
    sites = survey(shop, catalogue(tmp_path).items, Limits()).sites
    pairs = [site for site in sites if len(site.sections) == 2]
    assert len(pairs) > 5
    for site in pairs:
        one, other = (piece.treatment.corners for piece in site.pieces)
        mirrored = one * (-1, 1, 1) + (2.8, 0, 0)
        low, high = mirrored.min(axis=0), mirrored.max(axis=0)
        assert other.min(axis=0) == pytest.approx(low, abs=0.0101)
        assert other.max(axis=0) == pytest.approx(high, abs=0.0101)


def test_limits_of_the_command_line_stand_in_place(tmp_path):
    limits = with_limits(catalogue(tmp_path).limits, (100.0, 250.0), 4, None, 0.2, True)
    assert limits == Limits((100.0, 250.0), 4, None, 0.2, False)


@pytest.mark.parametrize(
    "value", ['a "quoted" \\ text', True, 3, 0.25, ["a", "b"], [0.6, 1.2], {"a": [1, 2]}]
)
def test_values_survive_the_scene_file(value):
    assert tomllib.loads(f"key = {toml(value)}")["key"] == value


def test_steps_of_a_decay_time():
    low, high = np.array([0.2, 0.2, 0.2, -np.inf]), np.array([0.3, 0.3, 0.3, np.inf])
    time_s = np.array([0.25, 0.3 * 1.05**4, 0.2 / 1.05**2, 9.0])
    assert steps_outside(time_s, low, high) == pytest.approx([0, 4, 2, 0])
    assert steps_uneven(np.array(0.4), np.array(0.4 / 1.05)) == pytest.approx(1)
    assert summed_excess_db(np.array([-4.0, -12.0, -9.5]), -10.0) == pytest.approx(6.5)


@pytest.mark.parametrize(
    ("after", "said"),
    [
        ((0.5, 0.5, 0.3, 0.3, 0.2, 0.2), "duller and boomier"),
        ((0.3, 0.3, 0.3, 0.3, 0.2, 0.2), "duller than before, though"),
        ((0.3, 0.3, 0.4, 0.4, 0.4, 0.4), "towards the highs"),
        ((0.4, 0.4, 0.4, 0.4, 0.4, 0.4), "the balance stays"),
    ],
)
def test_a_dull_and_boomy_plan_is_called_that(after, said):
    times_s = np.array([(0.5, 0.5, 0.5, 0.5, 0.5, 0.5), after])
    (text,) = balance_sentence(times_s, (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0))
    assert said in text
    assert text.startswith(f"Lows change by {tidy(100 * (after[0] / 0.5 - 1), 0)} %")


def test_without_known_lows_nothing_is_said_of_them():
    times_s = np.array([(np.nan, 0.5, 0.5, 0.4), (0.3, 0.4, 0.4, 0.2)])
    (text,) = balance_sentence(times_s, (125.0, 500.0, 1000.0, 2000.0))
    assert text.startswith("Highs change by −50 %. Whether it gets boomy can't be told")
    assert "--bass" in text
    times_s[0, 0] = 0.3
    (text,) = balance_sentence(times_s, (125.0, 500.0, 1000.0, 2000.0))
    assert text.startswith("Lows change by 0 %, highs by −50 %")


def test_a_balance_within_its_error_is_not_told():
    times_s = np.array([(0.5, 0.5, 0.5), (0.5, 0.4, 0.4)])
    bands = (125.0, 500.0, 2000.0)
    (sure,) = balance_sentence(times_s, bands, np.array([0.02, 0.02, 0.02]))
    assert sure.startswith("Lows change by 0 ±4 %, highs by −20 ±4 %: duller and boomier")
    (unsure,) = balance_sentence(times_s, bands, np.array([0.03, 0.03, 0.03]))
    assert unsure.endswith("highs by −20 ±6 %: whether the balance moves is too near 5 % to tell")
    (fine,) = balance_sentence(times_s, bands, np.full(3, 1e-4))
    assert fine.startswith("Lows change by 0 ±1 %, highs by −20 ±1 %: duller and boomier")


@pytest.mark.parametrize("width", [2.8, 3.13, 4.07])
def test_corner_traps_fit_rooms_of_any_width(tmp_path, width):
    trap = TRAP.format("35cm")
    shop = workshop(tmp_path, room_text(3.6, width))
    sites = survey(shop, catalogue(tmp_path, trap).items, Limits()).sites
    assert [len(site.pieces) for site in sites] == [2, 2]
    scene = shop.scene_with({"all": [piece for site in sites for piece in site.pieces]})
    (shell,) = scene.shells
    assert shell.volume == pytest.approx(2.4 * (3.6 * width - 4 * 0.35**2 / 2), rel=1e-6)


def test_a_room_below_the_stated_range_has_no_decay_in_its_aim(tmp_path):
    text = room_text(1.9, 1.6).replace("2.4]", "2.3]").replace("0.7, 1.2]", "0.3, 1.2]")
    shop = workshop(
        tmp_path, text.replace("0.2, 0.3", "0.35, 0.3").replace("1.4, 0.3", "1.25, 0.3")
    )
    site = survey(shop, catalogue(tmp_path).items, Limits()).sites[0]
    bench = Bench(shop, {site.name: site.pieces}, Weights(), 64, 1)
    assert {column.part for column in bench.columns} == {"reflections"}
    assert not bench.target.is_judged.any()


def test_what_would_reach_into_each_other_is_in_the_way(tmp_path):
    """The air behind a panel is its own: a thinner one doesn't fit into it."""
    deep = CATALOGUE.replace("items.wool", "items.deep").replace("cost", 'gap = "100mm"\ncost')
    shop = workshop(tmp_path, room_text())
    sites = survey(shop, catalogue(tmp_path, CATALOGUE + deep).items, Limits()).sites
    sites = [site for site in sites if site.where[0].startswith(("front", "right"))]
    blocked = in_the_way(sites)
    reach = Reach(shop.scene, ())
    crossed = 0
    for k, one in enumerate(sites):
        for m in range(k):
            other = sites[m]
            pieces = [p.treatment for p in (*one.pieces, *other.pieces)]
            told = bool(reach.with_others(pieces))
            assert told == (other.name in blocked[k]) == (one.name in blocked[m])
            crossed += told and one.item is not other.item
    assert crossed > 10
