"""`raysim place` as people meet it."""

import csv
import json
import tomllib

import pytest

from tests.place_made import room_file

ELL = """\
[room]
outline = [[0, 0], [3, 0], [3, 3.6], [2.2, 3.6], [2.2, 2], [0, 2]]
height = 2.3
[sources.left]
position = [1.0, 0.4, 1.2]
[sources.right]
position = [1.9, 0.4, 1.2]
[receivers.seat]
position = [1.45, 1.2, 1.2]
facing = "front"
"""
STAGE = """
[objects.stage]
box = [[0.1, 0.1, 0.0], [2.9, 1.9, 0.9]]
[objects.shelf]
box = [[2.3, 2.1, 0.0], [2.9, 3.5, 2.0]]
"""
QUICK = ["--front", "front", "--seat", "1.1", "1.4", "--off-wall", "0.3", "0.5"]


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--seat", "9", "10"], "a head 9 m from the front wall is outside the room"),
        (["--seat", "1.4", "1.1"], "--seat: 1.4 to 1.1; give the smaller first"),
        (
            ["--base", "3", "4"],
            "--base: no layout fits with loudspeakers 3 to 4 m apart; "
            "what fits has loudspeakers 0.8 to 2.2 m apart",
        ),
        (
            ["--front", "front", "--seat", "0.2", "0.3"],
            "--seat: no layout fits with the head 0.2 to 0.3 m from the front wall; what fits has",
        ),
        (["--front", "frnt"], "--front: 'frnt' isn't in the scene; did you mean 'front'?"),
        (["--front", "nowall"], "--front: 'nowall' isn't in the scene; walls are front, "),
        (["--front", "ceiling"], "--front: 'ceiling' is no upright wall wide enough"),
        (["--listener", "sofa"], "there is no receiver 'sofa'"),
        (["--weight", "bas=1"], "there is no term 'bas'; there are bass, notch, early, sides"),
        (["--weight", "bass"], "'bass' is no weight; write bass=2"),
        (["--weight", "bass=nan"], "--weight: bass=nan; a weight is a number, 0 or more"),
        (["--weight", "notch=-1"], "--weight: notch=-1; a weight is a number, 0 or more"),
        (["--seed", "-1"], "--seed: -1 is negative; use 0 or more"),
        (["--off-wall", "a lot", "1"], "--off-wall: "),
    ],
)
def test_bad_wishes_get_one_sentence(raysim, folder, options, sentence):
    outcome = raysim("place", room_file(folder), *options)
    assert outcome.code == 2
    assert sentence in outcome.err
    said = [one for one in outcome.err.splitlines() if not one.startswith("raysim: doubt: ")]
    assert len(said) <= 2  # the stage, and the sentence
    assert sorted(p.name for p in folder.iterdir()) == ["room.toml"]


def test_a_front_with_no_room_before_it_names_those_with_room(raysim, folder):
    """An L whose narrow leg is 0.8 m across: its inner wall is wide enough, but not deep."""
    path = folder / "ell.toml"
    path.write_text(ELL)
    outcome = raysim("place", path, "--front", "wall4")
    assert outcome.code == 2
    assert "--front: no layout fits before 'wall4'; before 'wall1', " in outcome.err
    assert [p.name for p in folder.iterdir()] == ["ell.toml"]


def test_a_room_without_room_is_one_sentence(raysim, folder):
    path = folder / "ell.toml"
    path.write_text(ELL.replace("height = 2.3", "height = 2.3\n" + STAGE))
    outcome = raysim("place", path)
    assert outcome.code == 2
    assert "place: no layout fits: heads stay 0.3 m and loudspeakers 0.19 m from" in outcome.err


def test_one_loudspeaker_is_no_pair(raysim, folder):
    path = room_file(folder)
    text = path.read_text()
    start, end = text.index("[sources.right]"), text.index("[receivers.seat]")
    path.write_text(text[:start] + text[end:])
    outcome = raysim("place", path)
    assert outcome.code == 2
    assert "place needs a pair" in outcome.err


def test_a_scene_of_ones_own_is_left_alone(raysim, folder):
    path = room_file(folder)
    other = folder / "room_placed.toml"
    other.write_text("mine")
    outcome = raysim("place", path, *QUICK)
    assert outcome.code == 2
    assert "left alone" in outcome.err
    assert other.read_text() == "mine"


@pytest.mark.slow
@pytest.mark.usefixtures("unrendered")
def test_moves_a_seat_that_stands_badly(raysim, folder):
    """Loudspeakers far apart and the head nearly half way: better is near, and written down."""
    path = room_file(folder)
    text = path.read_text()
    tree = tomllib.loads(text)
    now = tree["receivers"]["seat"]["position"]
    path.write_text(text.replace(f"[{now[0]:g}, {now[1]:g}", f"[{now[0]:g}, 2.2"))
    outcome = raysim("place", path, *QUICK, "--json")
    assert outcome.code == 0
    told = json.loads(outcome.out)
    assert told["keep"] is False
    assert told["gain_db"] > told["gain_error_db"] > 0
    best = told["layouts"]["best"]
    moved = tomllib.loads((folder / "room_placed.toml").read_text())
    assert moved["receivers"]["seat"]["position"] == pytest.approx(best["seat"], abs=1e-4)
    assert moved["sources"]["left"]["position"] == pytest.approx(best["left"], abs=1e-4)
    assert raysim("check", folder / "room_placed.toml").code == 0
    rows = list(csv.DictReader((folder / "room_place" / "layouts.csv").open()))
    assert len(rows) == told["layouts_tried"] + 1
    aims = [float(row["aim_db"]) for row in rows]
    assert aims == sorted(aims)
