"""Progress off a terminal: few lines, in words."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from raysim.cli import progress
from raysim.solvers.run import Progress


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (None, ""),
        (0.2, "about 1 s left"),
        (89.4, "about 89 s left"),
        (90, "about 2 min left"),
        (5400, "about 1.5 h left"),
    ],
)
def test_time_left(seconds, words):
    assert progress.time_left(seconds) == words


def test_line():
    assert progress.describe(Progress("tracing rays", 0.4, "T20 to 2.1 %", 12)) == (
        "tracing rays: 40 %, about 12 s left, T20 to 2.1 %"
    )
    assert progress.describe(Progress("preparing the tracer", 0.0)) == "preparing the tracer ..."


def test_a_line_a_stage_and_one_every_few_seconds(capsys, monkeypatch):
    now_s = iter([0.0, 0.1, 0.2, 5.0, 5.2, 6.0])
    monkeypatch.setattr(progress, "time", SimpleNamespace(monotonic=lambda: next(now_s)))
    with progress.shown_progress() as show:
        for stage, fraction in (
            ("preparing", 0.0),
            ("tracing", 0.01),
            ("tracing", 0.02),
            ("tracing", 0.5),
            ("tracing", 0.6),
            ("saving", 1.0),
        ):
            show(Progress(stage, fraction))
    lines = capsys.readouterr().err.splitlines()
    assert lines == ["preparing ...", "tracing: 1 %", "tracing: 60 %", "saving: 100 %"]
