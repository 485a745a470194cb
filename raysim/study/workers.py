"""Worker processes of this machine."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Protocol

import psutil

from raysim.errors import SettingsError
from raysim.settings import BATCHES
from raysim.study.read import Study
from raysim.study.tasks import Failure, Outcome, Task, attempt, processor_count

BYTES_A_WORKER = 400_000_000  # libraries and compiled kernels
COPIES = 6  # of the histogram's batches that a run and its evaluation hold at once
USUAL_BINS_S = 2.0  # where nobody says how long the histogram is
RESERVE_BYTES = 500_000_000
CGROUP = Path("/sys/fs/cgroup")

Compute = Callable[[Task, int], Outcome]


class Crew(Protocol):
    """Those who compute: processes here, or a cluster."""

    @property
    def size(self) -> int:
        """How many tasks are computed at once."""

    def has_room(self) -> bool:
        """Whether a task would be begun soon."""

    def submit(self, task: Task) -> None:
        """Hand out a task."""

    def wait(self, seconds: float) -> Sequence[Outcome]:
        """Outcomes that have come in, after waiting so long at most."""

    def close(self) -> None:
        """Stop at once whatever is being computed."""


@dataclass
class _Worker:
    process: SpawnProcess
    pipe: Connection
    digest: str = ""


class LocalCrew:
    """Processes of this machine, started when there is work and memory for them.

    Parameters
    ----------
    workers : int
        At most.
    threads : int
        Of each.
    need_bytes : int
        Memory that a further worker is expected to take.
    compute : callable
        Task and threads to Outcome; importable by name.
    """

    def __init__(
        self, workers: int, threads: int, need_bytes: int, compute: Compute = attempt
    ) -> None:
        self._compute = compute
        self._limit, self._threads, self._need_bytes = workers, threads, need_bytes
        self._workers: list[_Worker] = []

    @property
    def size(self) -> int:
        """How many tasks are computed at once."""
        return self._limit

    def has_room(self) -> bool:
        """Whether a worker is idle, or may be started: the first always, others if memory lasts."""
        if any(not worker.digest for worker in self._workers):
            return True
        if len(self._workers) >= self._limit:
            return False
        return not self._workers or free_bytes() > self._need_bytes + RESERVE_BYTES

    def submit(self, task: Task) -> None:
        """Give a task to an idle worker, or to a new one."""
        idle = [worker for worker in self._workers if not worker.digest]
        worker = idle[0] if idle else self._start()
        worker.digest = task.digest
        try:
            worker.pipe.send(task)
        except OSError:  # it has died idle; `wait` sees that and says so of the task
            return

    def wait(self, seconds: float) -> Sequence[Outcome]:
        """Outcomes that have come in, of workers that died as well."""
        busy = [worker for worker in self._workers if worker.digest]
        ready = wait([w.pipe for w in busy] + [w.process.sentinel for w in busy], seconds)
        found = []
        for worker in busy:
            if worker.pipe in ready or worker.process.sentinel in ready:
                found.append(self._collect(worker))
        return found

    def _collect(self, worker: _Worker) -> Outcome:
        digest, worker.digest = worker.digest, ""
        try:
            if worker.pipe.poll():
                outcome: Outcome = worker.pipe.recv()
                self._need_bytes = max(self._need_bytes, outcome.peak_bytes)
                return outcome
        except (EOFError, OSError):
            pass
        worker.process.join(5)
        code = worker.process.exitcode
        self._workers.remove(worker)
        if free_bytes() < self._need_bytes:
            self._limit = max(1, self._limit - 1)
        return Outcome(digest, failure=Failure(_why_died(code), may_pass=True))

    def _start(self) -> _Worker:
        context = multiprocessing.get_context("spawn")  # threads don't survive a fork
        ours, theirs = context.Pipe()
        process = context.Process(
            target=_work, args=(theirs, self._compute, self._threads), daemon=True
        )
        process.start()
        theirs.close()
        self._workers.append(_Worker(process, ours))
        return self._workers[-1]

    def close(self) -> None:
        """Stop at once whatever is being computed."""
        for worker in self._workers:
            worker.process.kill()
        for worker in self._workers:
            worker.process.join(5)
            worker.pipe.close()
        self._workers = []


def _why_died(code: int | None) -> str:
    if code is not None and code < 0:
        name = signal.Signals(-code).name
        out = "; the system does that when memory runs out" if name == "SIGKILL" else ""
        return f"its worker was ended by {name}{out}"
    return f"its worker ended with code {code}"


def _work(pipe: Connection, compute: Compute, threads: int) -> None:
    """What a worker does until its pipe is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all; the first process decides
    threading.Thread(target=_leave_with_parent, daemon=True).start()
    while True:
        try:
            task = pipe.recv()
        except (EOFError, OSError):
            return
        pipe.send(compute(task, threads))


def _leave_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
    os._exit(1)


def free_bytes() -> int:
    """Memory that may still be taken, by the machine and by the group this process is in."""
    free = int(psutil.virtual_memory().available)
    try:
        limit = (CGROUP / "memory.max").read_text().strip()
        used = int((CGROUP / "memory.current").read_text())
        lines = (CGROUP / "memory.stat").read_text().split("\n")
    except (OSError, ValueError):
        return free
    # Files that were read count as used, but the system gives them up when memory is wanted.
    cached = sum(int(line.split()[1]) for line in lines if line.startswith("inactive_file "))
    return min(free, int(limit) - used + cached) if limit.isdigit() else free


def need_bytes(study: Study) -> int:
    """Memory that a worker is expected to take before the first has told."""
    scene, settings = study.scene, study.settings
    bins = (settings.duration_s or USUAL_BINS_S) / settings.bin_s
    variants = max(study.variants_a_trace, len(study.variants))
    values = variants * len(scene.sources) * len(scene.receivers) * len(scene.bands_hz) * bins
    return BYTES_A_WORKER + int(COPIES * BATCHES * values * 8)


def local_crew(study: Study, workers: int | None, tasks: int) -> LocalCrew:
    """A crew for this machine: a worker a core, as far as memory lasts.

    Raises
    ------
    SettingsError
        `workers` is below 1.
    """
    if workers is not None and workers < 1:
        raise SettingsError(f"--workers: {workers}; use 1 or more")
    cores, need = processor_count(), need_bytes(study)
    affordable = max(1, (free_bytes() - RESERVE_BYTES) // need)
    size = workers or min(cores, affordable, max(1, tasks))
    return LocalCrew(size, max(1, cores // size), need)
