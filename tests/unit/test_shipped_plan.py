"""The plan that is shipped keeps what its catalogue asks for."""

from __future__ import annotations

from pathlib import Path

from raysim.plan.catalogue import load_catalogue
from raysim.plan.places import survey
from raysim.plan.written import HEADING
from raysim.scene.read import load_scene
from raysim.scene.starter import write_starter
from raysim.scene.starter_catalogue import CATALOGUE_NAME
from raysim.scene.workshop import Workshop

SCENES = Path(__file__).resolve().parents[2] / "scenes"


def test_shipped_plan_keeps_its_catalogue():
    """It loads, so nothing lies over a keep-clear zone; a renter's limits are kept."""
    scene = load_scene(SCENES / "linden_plan.toml")
    limits = load_catalogue(SCENES / "linden_catalogue.toml").limits
    (plan,) = (variant for variant in scene.variants if variant.name == "plan")
    pieces = [scene.treatments[k] for k in plan.treatments]
    assert pieces
    assert sum(0 if one.owned else one.cost for one in pieces) <= limits.budgets[-1] == 600
    assert {one.fixing for one in pieces} <= {"standing", "glued"}
    assert sum(one.owned for one in pieces) <= 12
    assert max(one.thickness_m + one.gap_m for one in pieces) <= limits.depth_m
    assert HEADING in scene.text
    assert scene.text.startswith((SCENES / "linden.toml").read_text("utf-8").rstrip())


def test_catalogue_of_a_starter_has_places_in_its_room(tmp_path):
    """What `raysim init` writes can be planned with as it is."""
    scene, *_ = write_starter(tmp_path / "room", (4.2, 3.4, 2.4))
    found = load_catalogue(scene.with_name(CATALOGUE_NAME))
    places = survey(Workshop(scene), found.items, found.limits)
    assert {site.item.name for site in places.sites} == {item.name for item in found.items}
    assert scene.stem + "_catalogue.toml" == CATALOGUE_NAME
