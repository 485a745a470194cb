"""`raysim study` as people use it."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from raysim.results.store import load_result
from tests.cli.conftest import listing
from tests.study_made import (
    EFFECTS,
    RUNS,
    STUDY,
    TASKS,
    HereCrew,
    arrays,
    assert_same_bits,
    task_files,
    write_study,
)


@pytest.fixture
def here(monkeypatch):
    """Studies are computed in this process."""
    monkeypatch.setattr("raysim.study.compute.local_crew", lambda *_anything: HereCrew())


@pytest.mark.usefixtures("here")
def test_a_study_from_file_to_data(raysim, folder):
    write_study(folder, STUDY + EFFECTS)
    outcome = raysim("study", "study.toml")
    assert outcome.code == 0, outcome.err
    assert "12 runs: 12 done, 0 failed, 0 missing; 0 tasks were done, 8 computed now" in outcome.out
    assert (
        "wrote effects.csv, effects_C50.png, effects_T20.png, methods.md, study.csv, study.h5 in "
        "study_study"
    ) in outcome.out
    status = raysim("study", "study.toml", "--status")
    assert status.code == 0
    assert status.out == ("Invented study: 12 runs in 8 tasks, 8 done\nnobody computes it now\n")
    said = json.loads(raysim("study", "study.toml", "--status", "--json").out)
    assert (said["runs"], said["tasks"], said["tasks_done"]) == (RUNS, TASKS, TASKS)

    data = arrays(folder / "study_study/study.h5")
    assert list(data["status"]) == ["done"] * RUNS
    assert list(data["seed"]) == [1, 2] * 6
    assert list(data["rear"]) == sorted([0.3, 0.6, 0.9] * 4)
    assert list(data["volume"][:, 0]) == pytest.approx([34.272, 34.272, 40.8, 40.8] * 3)
    with (folder / "study_study/study.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == RUNS * 2
    for row in rows:
        run, band = int(row["run"]), [500, 1000].index(int(row["band_hz"]))
        assert float(row["T20"]) == data["T20"][run, 0, 0, 0, band]
        error = float(row["G_standard_error"])
        assert error == data["G_standard_error"][run, 0, 0, 0, band]
        assert float(row["rear"]) == data["rear"][run]


def test_status_before_anything(raysim, folder):
    write_study(folder)
    assert "12 runs in 8 tasks, 0 done" in raysim("study", "study.toml", "--status").out
    assert listing(folder) == ["room.toml", "study.toml"]


@pytest.mark.slow
def test_workers_change_no_bit(raysim, folder, monkeypatch):
    write_study(folder)
    said = json.loads(raysim("study", "study.toml", "-o", "two", "--workers", 2, "--json").out)
    assert said["tasks_computed"] == TASKS
    monkeypatch.setattr("raysim.study.compute.local_crew", lambda *_anything: HereCrew())
    assert raysim("study", "study.toml", "-o", "here").code == 0
    assert_same_bits(folder / "two/study.h5", folder / "here/study.h5")


@pytest.mark.usefixtures("here")
def test_a_study_that_grows_keeps_what_it_has(raysim, folder):
    study = write_study(folder)
    assert raysim("study", "study.toml").code == 0
    study.write_text(STUDY.replace("seeds = 2", "seeds = 3"))
    said = json.loads(raysim("study", "study.toml", "--json").out)
    assert (said["tasks_found_done"], said["tasks_computed"]) == (8, 4)


@pytest.mark.usefixtures("here")
def test_whole_results_are_kept_and_guarded(raysim, folder):
    text = STUDY.replace("seeds = 2", 'seeds = 1\nkeep = "results"').replace(", 0.6, 0.9]", "]")
    write_study(folder, text)
    assert raysim("study", "study.toml").code == 0
    kept = sorted((folder / "study_study/results").glob("*.h5"))
    assert len(kept) == len(task_files(folder / "study_study")) == 2
    result = load_result(kept[0])
    assert result.energy_batches.shape[0] == 32
    data = kept[0].read_bytes()
    kept[0].write_bytes(data[:-1])
    said = json.loads(raysim("study", "study.toml", "--json").out)
    assert said["tasks_computed"] == 1
    again = load_result(kept[0])
    np.testing.assert_array_equal(again.energy_batches, result.energy_batches)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["none.toml"], "none.toml: there is no such file; give a study file"),
        (["study.toml", "--stop-at", "25:00"], "'25:00' is no time; write 06:30"),
        (["study.toml", "--workers", "0"], "--workers: 0; use 1 or more"),
        (["study.toml", "-o", "room.toml/x"], "what should be its folder is a file"),
    ],
)
def test_wrong_words(raysim, folder, arguments, said):
    write_study(folder)
    outcome = raysim("study", *arguments)
    assert outcome.code == 2
    assert said in outcome.err
    assert "bug" not in outcome.err


def test_a_scene_that_is_wrong_by_itself(raysim, folder):
    write_study(folder, room="[room]\nsize = [4, 3]\n")
    outcome = raysim("study", "study.toml")
    assert outcome.code == 2
    assert "room.toml line 2: room.size: 2 values; give 3: [length, width, height]" in outcome.err


def test_memory_limits_the_workers(folder, monkeypatch):
    from raysim.study import workers
    from raysim.study.read import load_study

    study = load_study(write_study(folder))
    monkeypatch.setattr(workers, "processor_count", lambda: 64)
    need = workers.need_bytes(study)
    assert need > workers.BYTES_A_WORKER
    monkeypatch.setattr(workers, "free_bytes", lambda: int(3.5 * need) + workers.RESERVE_BYTES)
    assert workers.local_crew(study, None, 100).size == 3
    assert workers.local_crew(study, None, 2).size == 2
    assert workers.local_crew(study, 7, 100).size == 7
    monkeypatch.setattr(workers, "free_bytes", lambda: 0)
    assert workers.local_crew(study, None, 100).size == 1


def test_memory_of_a_container_counts(tmp_path, monkeypatch):
    from raysim.study import workers

    monkeypatch.setattr(workers, "CGROUP", tmp_path)
    machine = workers.free_bytes()
    for name, text in (
        ("memory.max", "5000000\n"),
        ("memory.current", "3000000\n"),
        ("memory.stat", "anon 1\ninactive_file 1000000\nactive_file 7\n"),
    ):
        (tmp_path / name).write_text(text)
    assert workers.free_bytes() == 3_000_000
    (tmp_path / "memory.max").write_text("max\n")
    assert workers.free_bytes() > machine / 2
