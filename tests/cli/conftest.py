"""The program in this process, an invented scene to spoil, and a computed result."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from raysim.cli.main import main

REPOSITORY = Path(__file__).resolve().parents[2]

SCENE = """\
title = "Invented bedroom"

[room]
size = [4.2, 3.4, 2.4]

[materials.plaster]
absorption = [0.14, 0.10, 0.08, 0.07, 0.07, 0.07]
scattering = 0.1
reference = "judgement"

[surfaces]
"*" = "plaster"
floor = "heavy carpet on foam underlay"

[objects.desk]
box = [[0.95, 0.45, 0.70], [2.45, 1.15, 0.75]]
material = "plaster"

[sources.left]
position = [1.10, 0.60, 1.20]

[sources.right]
position = [2.30, 0.60, 1.20]

[receivers.seat]
position = [1.70, 1.64, 1.20]
"""


@dataclass(frozen=True)
class Outcome:
    """What a shell sees of a command."""

    code: int
    out: str
    err: str


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Empty folder that commands run in."""
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    return here


@pytest.fixture
def raysim(folder, capsys):  # noqa: ARG001 - commands must not run elsewhere
    """Call the program as the shell does, in this process."""

    def call(*arguments):
        capsys.readouterr()
        code = main([str(argument) for argument in arguments])
        said = capsys.readouterr()
        return Outcome(code, said.out, said.err)

    return call


@pytest.fixture
def scene(folder):
    """The invented scene in a file."""
    path = folder / "room.toml"
    path.write_text(SCENE, encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def computed(tmp_path_factory):
    """A small result of the invented scene, made by the program itself."""
    place = tmp_path_factory.mktemp("computed")
    (place / "room.toml").write_text(SCENE, encoding="utf-8")
    path = place / "room.h5"
    quick = ["--rays", "32", "--image-order", "2", "--no-bass"]
    assert main(["run", str(place / "room.toml"), "-o", str(path), *quick]) == 0
    return path


@pytest.fixture
def unrendered(monkeypatch):
    """Pictures are composed but not rendered, where a test is about commands and files."""
    for name in ("svg", "png", "tiled_png"):
        monkeypatch.setattr(f"raysim.report.style.{name}", lambda *_anything: b"picture")


def in_process(code, *arguments, cwd, **more):
    """Run Python `code` with our package in a process of its own."""
    environment = os.environ | {"PYTHONPATH": str(REPOSITORY)} | more.pop("env", {})
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        **more,
    )


def listing(place):
    """Names below a folder."""
    return sorted(str(path.relative_to(place)) for path in place.rglob("*"))


def assert_sentences(outcome, fragments):
    """Each line is a sentence of ours, and all fragments are said."""
    assert "Traceback" not in outcome.err
    for line in outcome.err.splitlines():
        assert line.startswith("raysim: ")
    for fragment in fragments:
        assert fragment in outcome.err
