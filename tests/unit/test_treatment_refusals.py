"""Treatments that can't be: one sentence each, with the numbers."""

import pytest

from tests.treated import bedroom, panel, refused

REFUSALS = {
    "beyond the end": (
        panel("p", "left", "[3.8, 0.5]"),
        "treatments.p.at: it reaches 0.20 m beyond its front end; 'left' is 4.20 x 2.40 m",
    ),
    "over the window": (
        panel("p", "left", "[2.3, 0.5]"),
        "treatments.p.at: it reaches 0.30 x 0.75 m over 'window', which isn't part of 'left'",
    ),
    "before the door": (
        panel("p", "right", "[3.0, 0.5]"),
        "it takes 0.30 x 1.20 m of the keep-clear zone 'door' (door, swings in); exits, detectors",
    ),
    "a hard zone can't be overridden": (
        panel("p", "right", "[3.0, 0.5]", 'override = ["door"]'),
        "exits, detectors and vents stay clear: move it",
    ),
    "in the swing of the door": (
        '[treatments.p]\nkind = "screen"\nat = [2.9, 3.5, 0]\nsize = [0.1, 0.3, 1.0]\n'
        'material = "wool"\n',
        "into the swing of the keep-clear zone 'door'",
    ),
    "over a picture": (
        panel("p", "rear", "[0.5, 0.5]"),
        "it takes 0.20 x 0.50 m of the keep-clear zone 'picture' (a picture); move it, or allow it "
        'with override = ["picture"]',
    ),
    "into the desk": (
        '[treatments.p]\nkind = "screen"\nat = [0.5, 0.9, 0]\nsize = [0.6, 0.1, 1.0]\n'
        'material = "wool"\n',
        "into 'desk'; move it, or make it smaller or thinner",
    ),
    "into a wall": (
        '[treatments.p]\nkind = "screen"\nat = [3.33, 1, 0]\nsize = [0.1, 0.3, 1.0]\n'
        'material = "wool"\n',
        "it reaches 30 mm into 'right'",
    ),
    "beyond the room": (
        '[treatments.p]\nkind = "screen"\nat = [3.6, 1, 0]\nsize = [0.1, 0.3, 1.0]\n'
        'material = "wool"\n',
        "lies beyond the room",
    ),
    "over a source": (
        '[treatments.p]\nkind = "screen"\nat = [1.0, 0.55, 1.0]\nsize = [0.2, 0.1, 0.4]\n'
        'material = "wool"\n',
        "it is over the source 'left' at (1.10, 0.60, 1.20) m; keep it at least 20 mm off, in "
        "'treated'",
    ),
    "in the zone of the head": (
        '[treatments.p]\nkind = "screen"\nat = [1.8, 1.5, 0]\nsize = [0.1, 0.5, 1.4]\n'
        'material = "wool"\n',
        "it reaches 50 mm into the zone in which the head of 'seat' moves",
    ),
    "two panels on one place": (
        panel("p", "left", "[3.0, 0.5]") + panel("q", "left", "[3.4, 0.6]"),
        "treatments.q: it overlaps 'p' by 0.20 x 1.10 m, in 'treated'; move one of them",
    ),
    "two panels in a corner": (
        panel("p", "left", "[3.6, 0.5]") + panel("q", "front", "[0.05, 0.6]"),
        "treatments.q: it reaches 50 mm into 'p', in 'treated'",
    ),
    "walls that don't meet": (
        '[treatments.p]\nkind = "corner trap"\non = ["left", "right"]\nsize = 0.3\n'
        'material = "wool"\n',
        "'left' and 'right' meet in no plumb inner corner",
    ),
    "nowhere": (
        '[treatments.p]\nkind = "corner trap"\nsize = 0.3\nmaterial = "wool"\n',
        "a 'corner trap' needs 'on' too; give for example on = [\"front\", \"left\"]",
    ),
    "a corner that isn't there": (
        '[treatments.p]\npattern = "corner traps"\nplaces = "north"\nsize = 0.3\n'
        'material = "wool"\n',
        "there is no corner 'north'; plumb inner corners of the room are front right, ",
    ),
    "words of another side": (
        panel("p", "left", '"1m from the right, 1m up"'),
        "'left' has no end at the right; measure from front, rear, floor, ceiling",
    ),
    "half the words": (
        panel("p", "left", '"1.2m up"'),
        "'1.2m up' doesn't say how far from front or rear; add that after a comma",
    ),
    "a material without depth": (
        panel("p", "left", "[3, 0.5]").replace('"wool"', '"wooden desk"'),
        "has no layers, so its depth isn't known; give 'thickness'",
    ),
    "depth said twice": (
        panel("p", "left", "[3, 0.5]", "thickness = 0.1"),
        "treatments.p.thickness: it follows from the layers",
    ),
    "a gap said twice": (
        panel("p", "left", "[3, 0.5]", "gap = 0.1").replace(
            'material = "wool"', 'layers = ["porous 50mm 12000", "gap 50mm"]'
        ),
        "treatments.p.gap: its layers end with 'gap 50mm' already; say the air behind once",
    ),
    "a layer of nothing": (
        panel("p", "left", "[3, 0.5]").replace('material = "wool"', 'layers = ["porus 5mm 1"]'),
        "treatments.p.layers: 'porus 5mm 1': unknown layer 'porus'",
    ),
    "a key of another kind": (
        panel("p", "left", "[3, 0.5]", "tiles = [2, 2]"),
        "treatments.p.tiles: it says nothing of a treatment 'panel'; take it out",
    ),
    "base is taken": ("[variants.base]\n", "'base' is the room without treatments"),
    "a surface of nowhere": (
        '[variants.v]\nsurfaces = {cieling = "wooden desk"}\n',
        "there is no surface 'cieling', did you mean 'ceiling'?",
    ),
    "a source moved into the wall": (
        "[variants.v]\nsources = {left = [-0.1, 0.6, 1.2]}\n",
        "variants.v.sources.left: (-0.10, 0.60, 1.20) m lies 0.10 m outside the room",
    ),
    "a receiver moved into a panel": (
        panel("p", "left", "[3, 0.5]")
        + '[variants.v]\ntreatments = "p"\nreceivers = {seat = [0.22, 0.9, 1.2]}\n',
        "it reaches 30 mm into the zone in which the head of 'seat' moves; move it, in 'v'",
    ),
}


@pytest.mark.parametrize("slip", REFUSALS)
def test_what_cannot_be_is_refused_with_the_numbers(tmp_path, slip):
    more, said = REFUSALS[slip]
    complaints = refused(tmp_path, more)
    assert len(complaints) == 1, complaints
    assert said in complaints[0]


def test_all_complaints_come_at_once(tmp_path):
    more = panel("p", "left", "[3.8, 0.5]") + panel("q", "right", "[3.0, 0.5]")
    assert len(refused(tmp_path, more)) == 2


def test_zone_of_a_picture_may_be_overridden_and_touching_is_allowed(tmp_path):
    more = panel("p", "rear", "[0.5, 0.5]", 'override = ["picture"]')
    more += panel("q", "rear", "[1.1, 0.5]") + panel("r", "left", "[3.6, 0.6]")
    assert len(bedroom(tmp_path, more).treatments) == 3
