"""Studies on a Dask cluster: the same bits, though workers and the scheduler are lost."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys

import psutil
import pytest

from tests.cli.conftest import REPOSITORY
from tests.study_made import TASKS, assert_same_bits, compute_here, write_study

distributed = pytest.importorskip("distributed")

CLUSTER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    cluster = LocalCluster(
        n_workers=2, threads_per_worker=1, scheduler_port=int(sys.argv[1]),
        dashboard_address=None, silence_logs=50,
    )
    workers = [str(nanny.pid) for nanny in cluster.workers.values()]
    print(cluster.scheduler_address, *workers, flush=True)
    sys.stdin.read()
"""


class Cluster:
    """A scheduler and two worker processes, in a process of their own."""

    def __init__(self, port):
        self._process = subprocess.Popen(
            [sys.executable, "-c", CLUSTER, str(port)],
            env=os.environ | {"PYTHONPATH": str(REPOSITORY)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.address, *workers = self._process.stdout.readline().split()
        self.workers = [int(worker) for worker in workers]

    def kill(self):
        """Scheduler and workers at once, as a power cut would."""
        if self._process.poll() is not None:
            return
        everyone = [*psutil.Process(self._process.pid).children(recursive=True)]
        self._process.kill()
        for process in everyone:
            with contextlib.suppress(psutil.NoSuchProcess):  # it may end with its parent
                process.kill()
        self._process.wait()


@pytest.fixture
def clusters():
    """Starts clusters on one port, and ends those that are left."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    started = []

    def start():
        started.append(Cluster(port))
        return started[-1]

    yield start
    for cluster in started:
        if psutil.pid_exists(cluster._process.pid) and cluster._process.poll() is None:
            cluster.kill()


@pytest.mark.slow
def test_lost_workers_and_scheduler(raysim, folder, clusters, monkeypatch):
    from raysim.study.plan import Shelf

    study = write_study(folder)
    first, kept, keep = clusters(), [], Shelf.keep

    def hooked(self, outcome):
        keep(self, outcome)
        kept.append(outcome.digest)
        if len(kept) == 2:
            os.kill(first.workers[0], signal.SIGKILL)
        if len(kept) == 4:
            first.kill()
            clusters()

    monkeypatch.setattr(Shelf, "keep", hooked)
    outcome = raysim("study", study, "-o", "out", "--cluster", first.address, "--json")
    assert outcome.code == 0, outcome.err
    assert json.loads(outcome.out)["tasks_computed"] == TASKS == len(set(kept)) == len(kept)
    monkeypatch.undo()
    assert compute_here(study, folder / "here") == 0
    assert_same_bits(folder / "out/study.h5", folder / "here/study.h5")


@pytest.mark.slow
def test_the_scheduler_stays_away(raysim, folder, clusters, monkeypatch):
    from raysim.study.plan import Shelf

    study = write_study(folder)
    cluster, keep = clusters(), Shelf.keep

    def hooked(self, outcome):
        keep(self, outcome)
        cluster.kill()

    monkeypatch.setattr(Shelf, "keep", hooked)
    monkeypatch.setattr("raysim.study.cluster.SECONDS_TO_RETURN", 0.0)
    outcome = raysim("study", study, "-o", "out", "--cluster", cluster.address)
    assert outcome.code == 2
    assert "the scheduler is gone; what is finished is kept, so start it and give" in outcome.err
    assert "bug" not in outcome.err


def test_no_scheduler_answers(raysim, folder, monkeypatch):
    monkeypatch.setattr("raysim.study.cluster.SECONDS_TO_CONNECT", 0.5)
    study = write_study(folder)
    outcome = raysim("study", study, "-o", "out", "--cluster", "tcp://127.0.0.1:9")
    assert outcome.code == 2
    assert "--cluster tcp://127.0.0.1:9: no scheduler answers" in outcome.err
    assert "start one with 'dask scheduler'" in outcome.err


def test_a_worker_with_another_version_refuses():
    from raysim.study.tasks import Task, attempt

    outcome = attempt(Task("", (), "{}", (), False, "0.0.1 else"), 1)
    assert "install the same on all" in outcome.failure.sentence
    assert not outcome.failure.may_pass
