"""README and guide: their commands are real and work as typed."""

from __future__ import annotations

import re
import shlex
import shutil

import pytest

from tests.cli.conftest import REPOSITORY

QUICK = ["--rays", "32", "--image-order", "1", "--no-bass"]


def readme():
    return (REPOSITORY / "README.md").read_text("utf-8")


@pytest.mark.parametrize(
    ("name", "last"),
    [("main-job", "raysim report control_room.h5"), ("tests", "-m pytest")],
)
def test_ci_finds_the_command(name, last):
    found = re.search(rf"^<!-- command: {name} -->\n```sh\n(.+)\n```$", readme(), re.MULTILINE)
    assert found
    assert found[1].startswith("python3 -m venv .venv && .venv/bin/pip install ")
    assert last in found[1]


@pytest.mark.slow
@pytest.mark.usefixtures("unrendered")
def test_readme_main_job(raysim, folder):
    shutil.copytree(REPOSITORY / "scenes", folder / "scenes")
    line = next(line for line in readme().splitlines() if "raysim run" in line)
    for command in line.split(" && ")[2:]:
        arguments = shlex.split(command.replace(".venv/bin/raysim ", ""))
        quick = QUICK if arguments[0] == "run" else []
        outcome = raysim(*arguments, *quick)
        assert outcome.code == 0, outcome.err
    assert (folder / "control_room_report/report.html").exists()
    assert (folder / "control_room_report/room.html").exists()


@pytest.mark.usefixtures("unrendered")
def test_guide_as_typed(raysim, folder):
    guide = (REPOSITORY / "docs/guide/first-room.md").read_text("utf-8")
    commands = re.findall(r"^    raysim (.+)$", guide, re.MULTILINE)
    assert [command.split()[0] for command in commands] == [
        "init",
        "materials",
        "check",
        "run",
        "report",
    ]
    for command in commands:
        quick = QUICK if command.startswith("run") else []
        outcome = raysim(*shlex.split(command), *quick)
        assert outcome.code == 0, outcome.err
        if command.startswith("run"):
            assert "next: raysim report my_room.h5" in outcome.out
    assert (folder / "my_room_report/report.html").stat().st_size > 10_000


def test_links_lead_somewhere():
    pages = [REPOSITORY / "README.md", REPOSITORY / "DEVELOPERS.md"]
    pages += (REPOSITORY / "docs").rglob("*.md")
    for page in pages:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
            assert (page.parent / target).exists(), f"{page}: {target}"
