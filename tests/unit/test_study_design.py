"""Designs, places in a scene, and which runs share a task."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import qmc

from raysim.errors import SceneError
from raysim.scene.lines import parse
from raysim.study import design
from raysim.study.design import Factor
from raysim.study.paths import changed, fault_of, parts_of
from raysim.study.plan import Plan
from raysim.study.read import load_study
from tests.study_made import EFFECTS, ROOM, RUNS, STUDY, TASKS, write_study

RANGE = Factor("length", (("room", "size", "0"),), limits=(4.0, 6.0))
LEVELS = Factor("soft", (("materials", "soft", "absorption"),), (0.1, 0.2, 0.3), ("a", "b", "c"))
SCENE = parse(ROOM + '\n[variants.moved]\nreceivers = { seat = [1, 1, 1] }\ntreatments = ["a"]\n')


def test_grid_is_every_combination_once():
    other = Factor("other", ((),), ("x", "y"), ("x", "y"))
    points = design.grid([LEVELS, other])
    assert points[:3] == [(0.1, "x"), (0.1, "y"), (0.2, "x")]
    assert len(set(points)) == len(points) == 6


@pytest.mark.parametrize("draw", [design.random, design.low_discrepancy])
def test_drawn_points_are_repeatable_and_within(draw):
    points = draw([RANGE, LEVELS], 100, 7)
    assert points == draw([RANGE, LEVELS], 100, 7)
    assert points != draw([RANGE, LEVELS], 100, 8)
    lengths, soft = zip(*points, strict=True)
    assert 4.0 <= min(lengths) < 4.2
    assert 5.8 < max(lengths) < 6.0
    assert set(soft) == set(LEVELS.values)


def test_low_discrepancy_is_lower():
    factors = [Factor(name, ((),), limits=(0.0, 1.0)) for name in "abcd"]
    even, chance = (
        qmc.discrepancy(np.array(draw(factors, 256, 3)))
        for draw in (design.low_discrepancy, design.random)
    )
    assert even < chance / 10


@pytest.mark.parametrize(
    ("dotted", "parts"),
    [
        ("room.size.0", ("room", "size", "0")),
        ('treatments."rear panel".layers', ("treatments", "rear panel", "layers")),
        ("surfaces.'a.b'", ("surfaces", "a.b")),
        ("treatments.rear panel.gap", ("treatments", "rear panel", "gap")),
    ],
)
def test_dotted(dotted, parts):
    assert parts_of(dotted) == parts


@pytest.mark.parametrize(
    "dotted",
    [
        "room.size.2",
        "climate.temperature_c",
        "materials.soft.absorption",
        "materials.soft.reference",
        "surfaces.floor",
        "sources.left.position.1",
        "sources.left.level_db",
        "variants.moved.receivers.seat",
        "variants.moved.treatments.0",
    ],
)
def test_places_in_a_scene(dotted):
    path = parts_of(dotted)
    assert fault_of(SCENE, path) is None
    made = changed(SCENE, [(path, "new")])
    assert made != SCENE
    node = made
    for part in path:
        node = node[int(part)] if isinstance(node, list) else node[part]
    assert node == "new"


@pytest.mark.parametrize(
    ("dotted", "said"),
    [
        ("roam.size", "there is no table 'roam'; did you mean 'room'?"),
        ("room.sise", "there is no key of [room] 'sise'; did you mean 'size'?"),
        ("room", "it names a whole table"),
        ("materials.soft", "it names a whole table"),
        ("materials.sof.absorption", "there is no entry of [materials] 'sof'; did you mean 'soft'"),
        ("materials.soft.absorbtion", "did you mean 'absorption'?"),
        ("room.size.3", "'room.size.3' has entries 0 to 2; '3' is none of them"),
        ("room.outline.0", "the scene has no 'room.outline.0' to change a part of"),
        ("bands", "'bands' can't differ between the runs"),
        ("surfaces.floor.absorption", "a surface has a material's name and nothing below it"),
        ("", "it is empty"),
    ],
)
def test_places_that_are_none(dotted, said):
    assert said in fault_of(SCENE, parts_of(dotted))


def test_an_empty_text_leaves_a_treatment_out():
    path = ("variants", "moved", "treatments", "0")
    assert changed(SCENE, [(path, "")])["variants"]["moved"]["treatments"] == []


def test_every_run_has_one_task(tmp_path):
    plan = Plan(load_study(write_study(tmp_path)))
    assert plan.study.runs == RUNS
    assert len(plan.planned) == TASKS == len({one.digest for one in plan.planned})
    runs = [run for one in plan.planned for run in one.runs]
    assert sorted(runs) == list(range(RUNS))
    for one in plan.planned:
        assert plan.build(one).digest == one.digest
        assert len({plan.study.seed_of(run) for run in one.runs}) == 1
        assert len({plan.study.point_of(run)[1] for run in one.runs}) == 1


def test_digests_know_all_that_matters(tmp_path):
    def digests(study=STUDY, room=ROOM):
        return {one.digest for one in Plan(load_study(write_study(tmp_path, study, room))).planned}

    first = digests()
    assert digests("# a remark\n" + STUDY, "# a remark\n" + ROOM) == first
    assert digests(STUDY.replace('title = "Invented study"', 'title = "x"')) == first
    more = digests(STUDY.replace("seeds = 2", "seeds = 3"))
    assert first < more
    assert not digests(room=ROOM.replace("3.4, 2.4", "3.4, 2.5")) & first
    assert not digests(STUDY.replace("duration_s = 0.3", "duration_s = 0.2")) & first
    assert not digests(STUDY.replace("seeds = 2", 'seeds = 2\nkeep = "results"')) & first


def test_the_contents_of_a_mesh_count(tmp_path):
    (tmp_path / "box.obj").write_text(BOX)
    room = ROOM.replace("size = [4.2, 3.4, 2.4]", 'mesh = "box.obj"\nunit = "m"\nup = "z"')
    room = room.replace('rear = "soft"\n', "")
    study = 'scene = "room.toml"\n'
    plan = Plan(load_study(write_study(tmp_path, study, room)))
    (one,) = plan.planned
    task = plan.build(one)
    assert task.files[0].data.decode() == BOX
    assert f'mesh = "{task.files[0].name}"' in task.scene_toml
    (tmp_path / "box.obj").write_text(BOX.replace("4.2", "4.3"))
    assert Plan(load_study(tmp_path / "study.toml")).planned[0].digest != one.digest


BOX = """\
o room
v 0 0 0
v 3.4 0 0
v 3.4 4.2 0
v 0 4.2 0
v 0 0 2.4
v 3.4 0 2.4
v 3.4 4.2 2.4
v 0 4.2 2.4
f 1 2 3 4
f 8 7 6 5
f 1 5 6 2
f 2 6 7 3
f 3 7 8 4
f 4 8 5 1
"""

WRONG = {
    "no scene": ('title = "x"\n', "'scene' is missing"),
    "unknown": ('scene = "room.toml"\nseed = 1\n', "unknown key 'seed', did you mean 'seeds'?"),
    "clock": (STUDY.replace("rays = 32", "time_s = 5"), "a run that the clock stops has other"),
    "bass": (STUDY.replace("rays = 32", "bass = true"), "a study computes decay, clarity and"),
    "seeds": (STUDY.replace("seeds = 2", "seeds = [1, 1]"), "a list of different whole numbers"),
    "path": (STUDY.replace("room.size.0", "room.sise.0"), "did you mean 'size'?"),
    "both": (
        STUDY.replace("values = [4.2, 5.0]", "values = [4.2]\nrange = [4, 5]"),
        "give either 'values', a list, or 'range'",
    ),
    "range": (STUDY.replace("values = [4.2, 5.0]", "range = [4, 5]"), "a grid needs 'values'"),
    "backwards": (STUDY.replace("values = [4.2, 5.0]", "range = [5, 4]"), "4 is not above 5"),
    "twice": (STUDY.replace("4.2, 5.0", "4.2, 4.2"), "a value is given twice"),
    "labels": (
        STUDY.replace("values = [4.2, 5.0]", 'values = [4.2, 5.0]\nlabels = ["a"]'),
        "give 2 different labels",
    ),
    "name": (STUDY.replace("[factors.length]", "[factors.band]"), "can't name a column"),
    "variant": ('variants = "old"\n' + STUDY, "the scene has no variant 'old'; there are base"),
    "kind": (STUDY + '[design]\nkind = "sobol"\n', "give one of grid, list, random, low-disc"),
    "count": (STUDY + '[design]\nkind = "random"\n', "give the number of points"),
    "quantity": (
        (STUDY + EFFECTS).replace('"C50"', '"RT"'),
        "'RT' is no quantity; there are EDT, T20",
    ),
    "settings": (STUDY.replace("rays = 32", "bin_s = 7"), "bin_s: 7 is outside 1e-05 to 0.1"),
    "syntax": ("scene = room.toml\n", "text is written in quotes"),
    "empty": (" \n", "it is empty"),
}


@pytest.mark.parametrize("name", list(WRONG))
def test_wrong_studies(tmp_path, name):
    text, said = WRONG[name]
    with pytest.raises(SceneError) as caught:
        load_study(write_study(tmp_path, text))
    assert said in str(caught.value)
    assert "study.toml" in str(caught.value)
    assert len(caught.value.complaints) == 1


def test_a_list_of_points(tmp_path):
    text = STUDY.replace("values = [0.3, 0.6, 0.9]", "").replace("values = [4.2, 5.0]", "")
    text += '[design]\nkind = "list"\npoints = [{ rear = 0.2, length = 4.0 }, { rear = 0.4, '
    study = load_study(write_study(tmp_path, text + "length = 5.0 }]\n"))
    assert study.points == ((0.2, 4.0), (0.4, 5.0))
    with pytest.raises(SceneError, match="give a value for each of rear, length"):
        load_study(write_study(tmp_path, text + "width = 5.0 }]\n"))
