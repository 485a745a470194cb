"""Studies that are killed, damaged, out of space or begun twice lose nothing that was finished."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys

import pytest

from raysim.results.data_set import read_quantity
from raysim.study.owner import OWNER_FILE, Owner
from tests.cli.conftest import REPOSITORY, in_process
from tests.study_made import (
    RUNS,
    TASKS,
    HereCrew,
    arrays,
    assert_same_bits,
    compute_here,
    task_files,
    write_study,
)

# The whole group of processes, killed before the n-th task is written: a hook, not a sleep.
KILL_GROUP = """
import os, signal, sys
from raysim.cli.main import main
from raysim.study.plan import Shelf
at, keep, kept = int(sys.argv[1]), Shelf.keep, []
def hooked(self, outcome):
    if len(kept) == at:
        os.killpg(0, signal.SIGKILL)
    kept.append(outcome.digest)
    keep(self, outcome)
Shelf.keep = hooked
if __name__ == "__main__":
    sys.exit(main(sys.argv[2:]))
"""
KILLED_BEFORE = ((2, 2), (0, 1), (3, 1))  # tasks of each night, drawn once; workers
# A worker killed by its first task, once for each digest of a file of victims.
WORKER_DIES = """
import os, pathlib, signal, sys
from raysim.cli.main import main
from raysim.study import workers
mark, always = pathlib.Path(sys.argv[1]), sys.argv[2] == "always"
submit = workers.LocalCrew.submit
def hooked(self, task):
    submit(self, task)
    if always or not mark.exists():
        mark.touch()
        worker = next(w for w in self._workers if w.digest == task.digest)
        os.kill(worker.process.pid, signal.SIGKILL)
workers.LocalCrew.submit = hooked
if __name__ == "__main__":
    sys.exit(main(sys.argv[3:]))
"""
WAIT_IN_KEEP = """
import sys, time
from raysim.cli.main import main
from raysim.study.plan import Shelf
keep = Shelf.keep
def hooked(self, outcome):
    print("begun", flush=True)
    sys.stdin.readline()
    keep(self, outcome)
Shelf.keep = hooked
if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
"""


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The study computed without trouble."""
    place = tmp_path_factory.mktemp("whole")
    assert compute_here(write_study(place), place / "out") == 0
    return place / "out"


@pytest.fixture
def copied(folder, whole):
    """A finished study to spoil."""
    write_study(folder)
    shutil.copytree(whole, folder / "out")
    return folder / "out"


@pytest.fixture
def here(monkeypatch):
    """Studies are computed in this process."""
    monkeypatch.setattr("raysim.study.compute.local_crew", lambda *_anything: HereCrew())


@pytest.mark.slow
@pytest.mark.usefixtures("here")
def test_killed_three_times_and_damaged(raysim, folder, whole):
    study = write_study(folder)
    left = TASKS
    for before, workers in KILLED_BEFORE:
        words = ["study", study, "-o", "out", "--workers", workers]
        killed = in_process(KILL_GROUP, before, *words, cwd=folder, start_new_session=True)
        assert killed.returncode == -signal.SIGKILL, killed.stderr
        left -= before
        assert len(task_files(folder / "out")) == TASKS - left
        assert not (folder / "out/study.h5").exists()
    last = raysim("study", study, "-o", "out", "--json")
    assert last.code == 0, last.err
    assert "ended early; going on where it stopped" in last.err
    said = json.loads(last.out)
    assert (said["tasks_found_done"], said["tasks_computed"]) == (TASKS - left, left)
    assert_same_bits(folder / "out/study.h5", whole / "study.h5")
    assert not list((folder / "out").rglob("*.part"))


@pytest.mark.usefixtures("here")
def test_exactly_the_damaged_tasks_are_computed_again(raysim, folder, copied, whole):
    cut, flipped, removed, *intact = task_files(copied)
    before = {path: path.stat().st_mtime_ns for path in intact}
    cut.write_bytes(cut.read_bytes()[:-7])
    data = bytearray(flipped.read_bytes())
    data[len(data) // 2] ^= 1
    flipped.write_bytes(data)
    removed.unlink()
    outcome = raysim("study", "study.toml", "-o", "out", "--json")
    assert outcome.code == 0, outcome.err
    said = json.loads(outcome.out)
    assert said["tasks_found_done"] == TASKS - 3
    assert said["tasks_found_damaged"] == 2
    assert said["tasks_computed"] == 3
    assert {path: path.stat().st_mtime_ns for path in intact} == before
    assert_same_bits(copied / "study.h5", whole / "study.h5")
    assert folder / "out" == copied


def test_every_byte_counts(copied):
    from raysim.results.run_numbers import BLOCK_BYTES, is_intact

    path = task_files(copied)[0]
    good = path.read_bytes()
    digest = good[:BLOCK_BYTES].decode().split("task ")[1].split()[0]
    assert is_intact(good, digest)
    for place in (0, 30, 100, 300, 511, 512, 600, len(good) // 2, len(good) - 1):
        bad = bytearray(good)
        bad[place] ^= 1
        assert not is_intact(bytes(bad), digest), place
    assert not is_intact(good + b"\0", digest)
    assert not is_intact(good, "0" * 64)


@pytest.mark.usefixtures("here")
def test_a_task_under_anothers_name_is_not_believed(raysim, copied):
    one, other, *_ = task_files(copied)
    one.write_bytes(other.read_bytes())
    said = json.loads(raysim("study", "study.toml", "-o", "out", "--json").out)
    assert said["tasks_computed"] == 1


@pytest.mark.usefixtures("here")
def test_full_disk_stops_and_goes_on(raysim, folder, whole, monkeypatch):
    write_study(folder)
    written = []

    def full(descriptor, sync=os.fsync):
        if len(written) == 3:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written.append(descriptor)
        sync(descriptor)

    with monkeypatch.context() as patch:
        patch.setattr("raysim.files.os.fsync", full)
        outcome = raysim("study", "study.toml", "-o", "out")
    assert outcome.code == 2
    assert outcome.err.count("cannot be written: the disk is full; free some space") == 1
    assert "bug" not in outcome.err
    kept = len(task_files(folder / "out"))
    assert kept < TASKS
    assert not list((folder / "out").rglob("*.part"))
    assert not (folder / "out/study.h5").exists()
    again = raysim("study", "study.toml", "-o", "out", "--json")
    assert json.loads(again.out)["tasks_computed"] == TASKS - kept
    assert_same_bits(folder / "out/study.h5", whole / "study.h5")


@pytest.mark.usefixtures("here")
def test_full_disk_while_merging_keeps_the_earlier_data(raysim, copied, monkeypatch):
    before = (copied / "study.h5").read_bytes()

    def full(*_anything, **_more):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("raysim.study.merge.write_data_set", full)
    outcome = raysim("study", "study.toml", "-o", "out")
    assert outcome.code == 2
    assert "the disk is full" in outcome.err
    assert (copied / "study.h5").read_bytes() == before
    assert not list(copied.rglob("*.part"))


@pytest.mark.slow
def test_the_second_on_a_folder_is_refused(raysim, folder):
    study = write_study(folder)
    first = subprocess.Popen(
        [sys.executable, "-c", WAIT_IN_KEEP, "study", study, "-o", "out", "--workers", "1"],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(REPOSITORY)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert first.stdout.readline() == "begun\n"
        second = raysim("study", study, "-o", "out")
        assert second.code == 2
        assert f"out: process {first.pid} on " in second.err
        assert "is computing this study" in second.err
        status = raysim("study", study, "-o", "out", "--status")
        assert f"computed now by process {first.pid} on" in status.out
        # Ctrl-C ends it cleanly, and what was finished is kept.
        first.send_signal(signal.SIGINT)
        _, err = first.communicate("\n" * TASKS, timeout=60)
    finally:
        first.kill()
    assert first.returncode == 130
    assert "raysim: interrupted; what is finished is kept, go on with: raysim study" in err
    assert "Traceback" not in err
    assert len(task_files(folder / "out")) == 1
    assert not (folder / "out" / OWNER_FILE).exists()


@pytest.mark.usefixtures("here")
def test_the_lock_of_a_dead_process_is_taken_over(raysim, copied):
    dead = Owner(2**22 + 1, "elsewhere", "2026-01-01 22:03")
    (copied / OWNER_FILE).write_text(json.dumps(vars(dead)))
    outcome = raysim("study", "study.toml", "-o", "out")
    assert outcome.code == 0
    assert f"{dead.in_words()} ended early; going on where it stopped" in outcome.err


@pytest.mark.slow
@pytest.mark.parametrize("how", ["once", "always"])
def test_a_worker_dies(folder, whole, how):
    text = (write_study(folder).read_text()).replace("seeds = 2", "seeds = 2\nretries = 1")
    if how == "always":  # the fewest tasks: each costs the start of two workers
        text = text.replace("values = [0.3, 0.6, 0.9]", "values = [0.3]")
        text = text.replace("values = [4.2, 5.0]", "values = [4.2]").replace("seeds = 2", "seeds=1")
    study = write_study(folder, text)
    done = in_process(
        WORKER_DIES, folder / "mark", how, "study", study, "-o", "out", "--json", cwd=folder
    )
    said = json.loads(done.stdout)
    if how == "once":
        assert done.returncode == 0, done.stderr
        assert said["runs_done"] == RUNS
        key, band = "T20", 1
        ours, theirs = (read_quantity(p / "study.h5", key, band) for p in (folder / "out", whole))
        assert (ours == theirs).all()
        return
    assert done.returncode == 1
    (failure,) = said["failures"]
    assert failure["described"] == "run 0 (rear 0.3, length 4.2, seed 1)"
    assert failure["sentence"] == (
        "its worker was ended by SIGKILL; the system does that when memory runs out (tried 2 times)"
    )


@pytest.mark.usefixtures("here")
def test_bad_runs_are_listed_and_the_others_go_on(raysim, folder):
    study = write_study(folder)
    text = study.read_text().replace("values = [4.2, 5.0]", "values = [4.2, 1.5]")
    study.write_text(text.replace("values = [0.3, 0.6, 0.9]", "values = [0.3, 7.0]"))
    outcome = raysim("study", study, "-o", "out")
    assert outcome.code == 1
    assert "8 runs: 2 done, 6 failed, 0 missing" in outcome.out
    said = [line for line in outcome.out.splitlines() if line.startswith("- run")]
    assert len(said) == 6
    assert any(
        line.startswith("- run 4 (rear 7.0, length 4.2, seed 1): materials.soft.absorption: 7")
        for line in said
    )
    data = arrays(folder / "out/study.h5")
    assert list(data["status"]).count("failed") == 6
    assert all((data["sentence"] != "") == (data["status"] == "failed"))
    status = raysim("study", study, "-o", "out", "--status")
    assert "6 runs failed:" in status.out


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_signals_end_it_cleanly(raysim, folder, whole, monkeypatch, sent):
    write_study(folder)

    class Signalled(HereCrew):
        def wait(self, seconds):
            if len(task_files(folder / "out")) == 2:
                os.kill(os.getpid(), sent)
            return super().wait(seconds)

    monkeypatch.setattr("raysim.study.compute.local_crew", lambda *_anything: Signalled())
    outcome = raysim("study", "study.toml", "-o", "out")
    assert outcome.code == 130
    last = "interrupted; what is finished is kept, go on with: raysim study study.toml -o out"
    assert outcome.err.endswith(f"raysim: {last}\n")
    assert len(task_files(folder / "out")) == 3
    monkeypatch.setattr("raysim.study.compute.local_crew", lambda *_anything: HereCrew())
    assert json.loads(raysim("study", "study.toml", "-o", "out", "--json").out)[
        "tasks_computed"
    ] == (TASKS - 3)
    assert_same_bits(folder / "out/study.h5", whole / "study.h5")


def test_outcomes_that_come_twice_count_once(raysim, folder, whole, monkeypatch):
    class Twice(HereCrew):
        def wait(self, seconds):
            return [*super().wait(seconds) * 2]

    write_study(folder)
    monkeypatch.setattr("raysim.study.compute.local_crew", lambda *_anything: Twice())
    said = json.loads(raysim("study", "study.toml", "-o", "out", "--json").out)
    assert said["tasks_computed"] == TASKS
    assert_same_bits(folder / "out/study.h5", whole / "study.h5")


@pytest.mark.usefixtures("here")
def test_stops_at_a_time(raysim, folder, monkeypatch):
    import datetime

    write_study(folder)

    class Soon(datetime.datetime):
        calls = 0

        @classmethod
        def now(cls, _zone=None):
            cls.calls += 1
            early = cls(2026, 11, 25, 6, 0)
            return early if cls.calls < 5 else early + datetime.timedelta(hours=2)

    monkeypatch.setattr("raysim.study.conduct.datetime.datetime", Soon)
    monkeypatch.setattr("raysim.cli.study.datetime.datetime", Soon)
    outcome = raysim("study", "study.toml", "-o", "out", "--stop-at", "06:30")
    assert outcome.code == 1, outcome.err
    assert "stopped at 08:00, as asked; go on with: raysim study study.toml -o out" in outcome.out
    assert 0 < len(task_files(folder / "out")) < TASKS
