"""Each verb as people use it: what it prints, what it writes, how it ends."""

from __future__ import annotations

import json
import re

import pytest

from raysim import __version__
from raysim.cli.main import program
from raysim.errors import SolverError
from raysim.results.store import load_result

QUICK = ["--image-order", "2", "--no-bass"]


def commands():
    for name, command in program.commands.items():
        yield [name]
        for below in getattr(command, "commands", {}):
            yield [name, below]


@pytest.mark.parametrize("command", list(commands()), ids=" ".join)
def test_help_has_a_worked_example(raysim, command):
    outcome = raysim(*command, "--help")
    assert outcome.code == 0
    assert re.search(r"Examples?:\n +raysim " + command[0], outcome.out)


def test_version(raysim):
    assert raysim("--version").out == f"raysim, version {__version__}\n"


def test_init_never_overwrites(raysim, folder):
    assert raysim("init", "my_room", "--survey").code == 0
    (folder / "my_room/scene.toml").write_text("mine", encoding="utf-8")
    outcome = raysim("init", "my_room")
    assert outcome.code == 2
    assert "scene.toml" in outcome.err
    assert (folder / "my_room/scene.toml").read_text("utf-8") == "mine"


def test_check_as_json(raysim, scene):
    content = json.loads(raysim("check", scene, "--json").out)
    assert content["volume_m3"] == pytest.approx(4.2 * 3.4 * 2.4 - 1.5 * 0.7 * 0.05)
    assert content["sources"] == ["left", "right"]
    assert {finding["kind"] for finding in content["findings"]} <= {"info", "doubt"}


def test_run_prints_every_number_with_its_error(raysim, folder, scene):
    outcome = raysim("run", scene, "--rays", "32", *QUICK)
    assert outcome.code == 0
    assert "preparing the tracer" in outcome.err
    row = next(line for line in outcome.out.splitlines() if line.strip().startswith("1 kHz"))
    assert len(re.findall(r"[−\d.]+ ±[\d.]+", row)) == 4
    low = next(line for line in outcome.out.splitlines() if line.strip().startswith("125 Hz"))
    assert low.split()[2:] == ["-"] * 4
    assert "below the Schroeder frequency" in outcome.out
    assert "desk" in outcome.out
    assert (folder / "room.h5").exists()


def test_run_as_json_equals_the_file(raysim, folder, scene):
    content = json.loads(raysim("run", scene, "--rays", "32", *QUICK, "--json").out)
    result = load_result(folder / "room.h5")
    assert content["rays"] == result.rays
    assert content["quantities"]["T20"]["value"][0][0][0][0] is None
    assert content["quantities"]["T20"]["reason"][0][0][0][0].startswith("below the Schroeder")
    assert content["quantities"]["T20"]["value"][0][0][0][4] > 0.1


def test_bands_and_seed_and_no_bass(raysim, folder, scene):
    outcome = raysim("run", scene, "--rays", "32", *QUICK, "--bands", 500, 2000, "--seed", 7)
    assert outcome.code == 0
    result = load_result(folder / "room.h5")
    assert result.scene.bands_hz == (500, 1000, 2000)
    assert result.settings.seed == 7
    assert result.bass is None
    plaster = next(m for m in result.scene.materials if m.name == "plaster")
    assert plaster.absorption.tolist() == [0.08, 0.07, 0.07]


def test_time_limit_before_the_precision_ends_with_1(raysim, scene):
    outcome = raysim("run", scene, "--error", "0.02", "--time", "0.01", "--no-bass")
    assert outcome.code == 1
    assert "not the 0.02 % asked for" in outcome.err
    assert "--extend room.h5" in outcome.err


def test_time_limit_before_the_rays_ends_with_1(raysim, scene):
    outcome = raysim("run", scene, "--rays", 81_920_000, "--time", "0.01", *QUICK)
    assert outcome.code == 1
    assert (
        "there are 8,192 rays a source, not the 81,920,000 rays a source asked for" in outcome.err
    )
    assert "stopped by: time limit of 0.01 s reached: worst T20 error" in outcome.out


def test_limit_of_the_computation_ends_with_3(raysim, folder, scene, monkeypatch):
    def lose_rays(*_arguments, **_more):
        raise SolverError("rays leave the room near (1.0, 2.0, 0.0) m; close the hole there")

    monkeypatch.setattr("raysim.solvers.run.run", lose_rays)
    outcome = raysim("run", scene)
    assert outcome.code == 3
    assert (
        outcome.err == "raysim: rays leave the room near (1.0, 2.0, 0.0) m; close the hole there\n"
    )
    assert not (folder / "room.h5").exists()


def test_bug_asks_to_be_reported(raysim, scene, monkeypatch):
    def stumble(*_arguments, **_more):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("raysim.scene.read.load_scene", stumble)
    outcome = raysim("check", scene)
    assert outcome.code == 70
    assert "this is a bug in raysim" in outcome.err
    assert "Traceback" not in outcome.err
    monkeypatch.setenv("RAYSIM_DEBUG", "1")
    assert "Traceback" in raysim("check", scene).err


def test_materials(raysim):
    listed = raysim("materials", "list", "carpet")
    assert listed.code == 0
    assert "haircord carpet on felt" in listed.out
    assert "concrete, painted" not in listed.out
    shown = raysim("materials", "show", "unknown wall")
    assert "0.05 to 0.30" in shown.out
    assert "judgement" in shown.out
    entry = json.loads(raysim("materials", "show", "unknown wall", "--json").out)
    assert entry["bands_hz"][0] == 63
    assert len(entry["absorption"]) == 8


def test_table_of_materials_marks_what_no_source_gives(raysim):
    listed = raysim("materials", "list", "curtain").out
    line = next(s for s in listed.splitlines() if s.startswith("heavy curtain, flat"))
    assert line.split()[-10:] == [
        *("flat", "0.03*", "0.05", "0.12", "0.35", "0.48", "0.38", "0.36", "0.36*", "seen")
    ]
    assert "* extrapolated: no source gives this band" in listed
    shown = raysim("materials", "show", "acoustic foam 50 mm").out
    assert "mounting: the source doesn't say; taken as against a hard wall" in shown
    assert "edges: read in a chamber" in shown
    assert "'raysim materials list carpet' shows 10" in raysim("materials", "show", "carpet").err


def test_a_group_without_a_verb_gives_its_help(raysim):
    for arguments in ((), ("materials",)):
        outcome = raysim(*arguments)
        assert outcome.code == 2
        assert outcome.err.startswith("Usage: raysim")
        assert "see '" not in outcome.err
