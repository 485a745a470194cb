"""Tasks on a cluster of Dask (extra 'cluster'): the same tasks, the same bits."""

from __future__ import annotations

import contextlib
import itertools
import logging
import time
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError
from functools import partial
from typing import Any

from raysim.errors import ResultError, SettingsError
from raysim.study.tasks import Failure, Outcome, Task, attempt

SECONDS_TO_CONNECT = 20.0
SECONDS_TO_RETURN = 600.0
"""How long a lost scheduler is waited for."""
SECONDS_BETWEEN_TRIES = 2.0
SECONDS_BETWEEN_LOOKS = 0.05
SECONDS_BETWEEN_COUNTS = 5.0
TASKS_A_THREAD = 2
"""Handed to the scheduler for each thread of its workers: one in work, one in waiting."""


class ClusterCrew:
    """The workers of a Dask scheduler.

    Workers may come and go. What a lost worker had is computed by others; after a lost scheduler
    its successor at the same address gets all that hadn't come back. A task computed twice gives
    the same bits, so nothing has to prevent it.

    Parameters
    ----------
    address : str
        Such as 'tcp://10.0.0.5:8786'.
    patience_s : float
        How long a lost scheduler is waited for; `SECONDS_TO_RETURN` unless given.

    Raises
    ------
    SettingsError
        Dask isn't installed, or no scheduler answers.
    """

    def __init__(self, address: str, patience_s: float | None = None) -> None:
        self._address = address
        self._patience_s = SECONDS_TO_RETURN if patience_s is None else patience_s
        self._client = _connect(address, SECONDS_TO_CONNECT)
        self._lost_at_s: float | None = None
        self._names = itertools.count()
        self._tasks: dict[str, Task] = {}
        self._futures: dict[str, Any] = {}
        self._size, self._counted_at_s = 0, 0.0
        self._count_workers()

    @property
    def size(self) -> int:
        """Threads of all workers when last counted."""
        return self._size

    def has_room(self) -> bool:
        """Whether a worker has less than one task waiting."""
        return self._lost_at_s is None and len(self._tasks) < TASKS_A_THREAD * max(1, self._size)

    def submit(self, task: Task) -> None:
        """Hand a task to the scheduler."""
        self._tasks[task.digest] = task
        self._unless_lost(lambda: self._send(task))

    def wait(self, seconds: float) -> Sequence[Outcome]:
        """Outcomes that have come in.

        Raises
        ------
        ResultError
            The scheduler is gone for longer than `patience_s`.
        """
        found: list[Outcome] = []
        if self._lost_at_s is not None:
            self._return(self._lost_at_s)
        else:
            self._unless_lost(lambda: self._listen(seconds, found))
        return found

    def close(self) -> None:
        """Cancel what isn't finished and leave the cluster as it is."""
        with contextlib.suppress(Exception):
            if self._lost_at_s is None:
                self._client.cancel(list(self._futures.values()), force=True)
            self._client.close(timeout=SECONDS_BETWEEN_TRIES)

    def _send(self, task: Task) -> None:
        # A name for each try: Dask would answer an old one with the failure that it remembers.
        name = f"raysim-{task.digest}-{next(self._names)}"
        self._futures[task.digest] = self._client.submit(attempt, task, 1, key=name)

    def _listen(self, seconds: float, found: list[Outcome]) -> None:
        until = time.monotonic() + seconds
        while True:
            finished = [d for d, future in self._futures.items() if future.status != "pending"]
            if finished or time.monotonic() >= until:
                break
            time.sleep(SECONDS_BETWEEN_LOOKS)
        if time.monotonic() - self._counted_at_s > SECONDS_BETWEEN_COUNTS:
            self._count_workers()
        for digest in finished:
            outcome = self._collect(digest)
            if outcome is not None:
                found.append(outcome)

    def _collect(self, digest: str) -> Outcome | None:
        """What became of a task; None where its result was lost and it is sent again."""
        future = self._futures[digest]
        if future.status == "finished":
            outcome: Outcome = future.result(timeout=SECONDS_TO_CONNECT)
        elif future.status == "error":
            outcome = Outcome(digest, failure=Failure(_why_failed(future), may_pass=True))
        else:
            self._send(self._tasks[digest])
            return None
        del self._futures[digest], self._tasks[digest]
        return outcome

    def _count_workers(self) -> None:
        self._counted_at_s = time.monotonic()
        workers = self._client.scheduler_info(n_workers=-1)["workers"]
        self._size = sum(int(worker["nthreads"]) for worker in workers.values())

    def _unless_lost(self, act: Callable[[], None]) -> None:
        """Do it, and notice when the scheduler is gone."""
        try:
            act()
        except (OSError, TimeoutError, RuntimeError, CancelledError):
            if self._client.status == "running":
                return  # a worker was lost with a result: the scheduler repeats it
        if self._client.status != "running":
            self._lost_at_s = time.monotonic()

    def _return(self, lost_at_s: float) -> None:
        """Look for the scheduler's successor once, and hand it all that hadn't come back."""
        with contextlib.suppress(Exception):
            self._client.close(timeout=1)
        try:
            self._client = _connect(self._address, SECONDS_BETWEEN_TRIES)
        except SettingsError as error:
            if time.monotonic() - lost_at_s > self._patience_s:
                raise ResultError(
                    f"--cluster {self._address}: the scheduler is gone; what is finished is kept, "
                    "so start it and give the same command again"
                ) from error
            time.sleep(SECONDS_BETWEEN_LOOKS)
            return
        self._lost_at_s, self._futures = None, {}
        for task in self._tasks.values():
            self._unless_lost(partial(self._send, task))


def _connect(address: str, seconds: float) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise SettingsError(
            "--cluster: Dask isn't installed; pip install 'raysim[cluster]'"
        ) from None
    for name in list(logging.root.manager.loggerDict):
        if name.partition(".")[0] == "distributed":  # what matters we say ourselves
            logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        return Client(address, timeout=seconds, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise SettingsError(
            f"--cluster {address}: no scheduler answers ({reason}); start one with "
            "'dask scheduler' and give its address, such as tcp://10.0.0.5:8786"
        ) from None


def _why_failed(future: Any) -> str:
    error = future.exception()
    if type(error).__name__ == "KilledWorker":
        return "the workers that tried it were lost; often their memory ran out"
    return f"its worker failed ({type(error).__name__}: {error})"
