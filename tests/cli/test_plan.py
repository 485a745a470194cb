"""`raysim plan` as people meet it: what it refuses, and a small plan from end to end."""

from __future__ import annotations

import json

import pytest
import trimesh

from raysim.results.store import load_result
from raysim.scene.read import load_scene
from tests.planned import CATALOGUE, room_text

ZONES = "".join(
    f'[keep_clear.{wall}]\non = "{wall}"\nat = [0, 0]\nsize = [{size}, 2.4]\nreason = "{why}"\n'
    for wall, size, why in (
        ("front", 2.8, "fire exit"),
        ("rear", 2.8, "shelves"),
        ("left", 3.6, "door"),
        ("right", 3.6, "vents"),
    )
)
CEILING = (
    '[keep_clear.top]\non = "ceiling"\nat = [0, 0]\nsize = [2.8, 3.6]\nreason = "sprinklers"\n'
)


@pytest.fixture
def plan(raysim, folder):
    """Call `raysim plan` on the small room with a catalogue."""

    def call(*arguments, catalogue=CATALOGUE, more=""):
        (folder / "room.toml").write_text(room_text(more=more), encoding="utf-8")
        (folder / "room_catalogue.toml").write_text(catalogue, encoding="utf-8")
        return raysim("plan", "room.toml", *arguments)

    return call


BAD = {
    "budget of nothing": (("--budget", "0"), "", "", ["budget: 0 is not more than 0"]),
    "negative budget": (("--budget", "-50"), "", "", ["budget: -50 is not more than 0"]),
    "phases that fall": (
        ("--budget", "300", "--budget", "200"), "", "", ["running totals", "rising"],
    ),
    "count of nothing": (("--count", "0"), "", "", ["count: 0 is not more than 0"]),
    "budget below the cheapest": (
        ("--budget", "20"), "", "",
        ["no plan is possible", "one costs 50, the budget is 20", "with a budget of 50, 'wool' at"],
    ),
    "nothing that needs no drilling": (
        ("--no-drilling",), ('"glued"', '"drilled"'), "",
        ["it is drilled", "nearest that is: with drilling allowed, 'wool' at"],
    ),
    "too deep": (
        ("--depth", "0.05"), "", "",
        ["it takes 0.10 m from the wall, 0.05 m are allowed", "with more depth allowed"],
    ),
    "all walls kept clear": (
        (), "", ZONES + CEILING,
        ["no plan is possible", "keep-clear zone", "nearest that is: with 'rear' given up"],
    ),
    "all walls kept clear for good": (
        (), "", ZONES.replace("shelves", "emergency exit") + CEILING,
        ["no plan is possible", "nothing of the catalogue fits into this room"],
    ),
    "stock larger than walls": (
        (), ("[0.6, 1.0]", "[5.0, 3.0]"), "",
        ["5.00 x 3.00 m, more than any surface", "smaller"],
    ),
    "a key that nothing reads": (
        (), ("cost = 50", "costs = 50"), "",
        ["room_catalogue.toml line 5", "unknown key 'costs', did you mean 'cost'?"],
    ),
    "no price": ((), ("cost = 50\n", ""), "", ["items.wool", "'cost'", "owned = true"]),
    "a word that isn't known": (
        (), ("[items.wool]", '[aim]\ndecay = "very"\n[items.wool]'), "",
        ["aim.decay", "'very'", "much"],
    ),
    "a layer that isn't known": (
        (), ("porous 100mm glass", "spongy 100mm"), "", ["no plan is possible", "spongy"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD.values(), ids=BAD)
def test_bad_input_gets_one_sentence(plan, folder, case):
    arguments, change, more, wanted = case
    catalogue = CATALOGUE.replace(*change) if change else CATALOGUE
    done = plan(*arguments, catalogue=catalogue, more=more)
    assert done.code == 2, done
    said = [line for line in done.err.splitlines() if not line.endswith(("...", "%"))]
    assert len(said) == 1, said
    assert all(word in said[0] for word in wanted), said
    assert not list(folder.glob("room_plan*"))


def test_no_catalogue(raysim, folder):
    (folder / "room.toml").write_text(room_text(), encoding="utf-8")
    done = raysim("plan", "room.toml")
    assert done.code == 2
    assert "room_catalogue.toml: there is no such file" in done.err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("room.toml", "--catalogue", "."), ".: it is a folder; name the catalogue in it"),
        (("room.toml", "--catalogue", "room.toml"), "it is a scene, not a catalogue"),
        (("room_catalogue.toml",), "it is a catalogue, not a scene"),
        ((".",), ".: it is a folder; name the scene file in it"),
        (("none.toml",), "none.toml: there is no such file"),
    ],
)
def test_files_in_each_others_place(raysim, folder, arguments, said):
    (folder / "room.toml").write_text(room_text(), encoding="utf-8")
    (folder / "room_catalogue.toml").write_text(CATALOGUE, encoding="utf-8")
    done = raysim("plan", *arguments)
    assert done.code == 2
    assert said in done.err
    assert len(done.err.splitlines()) == 1
    assert not list(folder.glob("*_plan*"))


def test_the_nearest_feasible_plan_gives_up_one_zone_only(plan):
    soft = ZONES.replace("fire exit", "books").replace("vents", "map").replace("door", "lamp")
    done = plan(more=soft + CEILING)
    assert done.code == 2
    assert "nearest that is: with 'front' given up, 'wool' at front" in done.err


def test_the_scene_is_never_written_over(plan, folder):
    done = plan("-o", "room.toml")
    assert done.code == 2
    assert "is the scene itself" in done.err
    (folder / "mine.toml").write_text("# my notes\n")
    done = plan("-o", "mine.toml")
    assert done.code == 2
    assert "is not a plan" in done.err
    assert (folder / "mine.toml").read_text() == "# my notes\n"


def test_a_plan_away_from_the_mesh_is_refused_before_the_search(plan, folder):
    (folder / "elsewhere").mkdir()
    shelf = trimesh.creation.box(bounds=[[0.2, 2.5, 0.0], [0.5, 2.9, 1.0]])
    shelf.export(folder / "shelf.ply")
    more = '[objects.shelf]\nmesh = "shelf.ply"\nunit = "m"\nup = "z"\n'
    done = plan("-o", "elsewhere/a.toml", more=more)
    assert done.code == 2
    assert "the scene names 'shelf.ply' (objects.shelf.mesh)" in done.err
    assert "with -o a.toml" in done.err
    assert not list((folder / "elsewhere").iterdir())


@pytest.mark.slow
def test_a_plan_from_end_to_end(plan, raysim, folder):
    quick = ("--candidates", 6, "--rays", 8192, "--error", 20, "--count", 4, "--json")
    done = plan("--budget", "100", "--budget", "200", *quick)
    assert done.code == 0, done.err
    said = json.loads(done.out)
    kept = [step for step in said["steps"] if step["is_kept"]]
    assert kept
    assert sum(step["cost"] for step in kept) <= 200
    assert sum(step["cost"] for step in kept if step["phase"] == 1) <= 100
    assert {step["phase"] for step in kept} == {1, 2}
    assert len(said["off_aim_error_steps"]) == len(said["off_aim_steps"]) == len(said["steps"]) + 1
    assert all(0 < error < off for error, off in zip(
        said["off_aim_error_steps"], said["off_aim_steps"], strict=True))  # fmt: skip
    assert all(len(c["off_error_steps"]) == len(c["off_steps"]) for c in said["aim"])
    words = "\n".join(said["words"])
    assert "Phase 2, up to 200, all before stays where it is: 2 to put up for 100" in words
    for part in ("Plan for Invented small room", "Decay time in s", "Lows change", "Aim:"):
        assert part in words or (part == "Lows change" and "high" in words)
    scene = load_scene(folder / "room_plan.toml")
    spent = {
        variant.name: sum(scene.treatments[k].cost for k in variant.treatments)
        for variant in scene.variants
    }
    assert spent["plan"] == sum(step["cost"] for step in kept)
    first, whole = (set(v.treatments) for v in scene.variants if v.name in ("phase_1", "plan"))
    assert first < whole
    result = load_result(folder / "room_plan.h5")
    assert result.variants[0] == "base"
    assert "plan" in result.variants
    compared = raysim("compare", "room_plan.h5", "--variant", "base", "plan")
    assert compared.code == 0
    assert "base to plan: " in compared.out


@pytest.mark.slow
@pytest.mark.parametrize(("seat", "said"), [("1.8", "move the seat first"), ("1.62", "keep the")])
def test_none_is_an_answer(raysim, folder, seat, said):
    board = CATALOGUE.replace(
        'layers = ["porous 100mm glass wool 40kg/m3"]', 'material = "wall"\nthickness = "2cm"'
    )
    text = room_text().replace("1.62, 1.2]", f"{seat}, 1.2]")
    (folder / "room.toml").write_text(text, encoding="utf-8")
    (folder / "room_catalogue.toml").write_text(board, encoding="utf-8")
    done = raysim("plan", "room.toml", "--candidates", 4, "--rays", 8192)
    assert done.code == 0, done.err
    assert f"None: nothing of the catalogue brings a noticeable difference; {said}" in done.out
    assert load_scene(folder / "room_plan.toml").treatments == ()
    assert not (folder / "room_plan.h5").exists()
