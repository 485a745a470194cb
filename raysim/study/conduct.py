"""The night itself: tasks handed out, outcomes kept, failures tried again, until all is done."""

from __future__ import annotations

import contextlib
import datetime
import json
import time
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, dataclass, field

from raysim.errors import ResultError
from raysim.files import why_not_written, write_whole
from raysim.solvers.run import Listener, Progress
from raysim.study.plan import Plan, Planned, Shelf
from raysim.study.tasks import Failure, Outcome
from raysim.study.workers import Crew

SECONDS_TO_LISTEN = 0.5
FAILURES_FILE = "failures.json"
INTERRUPTED = "interrupted"


@dataclass(frozen=True)
class FailedRun:
    """A run that gave nothing, and why."""

    run: int
    described: str
    sentence: str


@dataclass
class Night:
    """How far a study is.

    Attributes
    ----------
    tasks, runs : int
        In all; what shared tasks fall apart into counts as it is found.
    found : int
        Tasks that were done and intact before.
    damaged : int
        Tasks whose files were there, but not intact.
    computed : int
        Tasks finished since.
    failures : list of FailedRun
    busy_s : float
        That workers spent on them.
    stopped : str
        Why it ended early; empty if it didn't.
    """

    tasks: int
    runs: int
    found: int = 0
    damaged: int = 0
    computed: int = 0
    failures: list[FailedRun] = field(default_factory=list)
    busy_s: float = 0.0
    stopped: str = ""


def conduct(
    plan: Plan,
    shelf: Shelf,
    hire: Callable[[int], Crew],
    progress: Listener,
    should_stop: Callable[[], bool] = lambda: False,
    stop_at: datetime.datetime | None = None,
) -> Night:
    """Compute what is missing or damaged in a folder that this process owns.

    Parameters
    ----------
    plan : Plan
    shelf : Shelf
    hire : callable
        Gives a crew for a number of tasks.
    progress : callable
        Told a Progress now and then.
    should_stop : callable
        Asked now and then; True ends the night at once, without loss of what is finished.
    stop_at : datetime, optional
        When to end; nothing is begun that isn't expected to be finished by then.

    Raises
    ------
    ResultError
        The disk takes no more; what is there is whole.
    """
    night = Night(len(plan.planned), plan.study.runs)
    _sweep(shelf)
    progress(Progress("looking what is done", 0.0))
    pending: deque[Planned] = deque()
    for planned in plan.planned:
        _sort_in(planned, shelf, night, pending)
    if not pending:
        _write_failures(shelf, night)
        return night
    crew = hire(len(pending))
    try:
        _Shift(plan, shelf, crew, night, pending).work(progress, should_stop, stop_at)
    finally:
        crew.close()
        with contextlib.suppress(ResultError):  # the disk may be full, and that is being said
            _write_failures(shelf, night)
    return night


def _sort_in(planned: Planned, shelf: Shelf, night: Night, pending: deque[Planned]) -> bool:
    if shelf.is_done(planned.digest):
        night.found += 1
        return True
    night.damaged += shelf.numbers_path(planned.digest).exists()
    pending.append(planned)
    return False


class _Shift:
    """What is handed out and what has come back."""

    def __init__(
        self, plan: Plan, shelf: Shelf, crew: Crew, night: Night, pending: deque[Planned]
    ) -> None:
        self._plan, self._shelf, self._crew, self._night = plan, shelf, crew, night
        self._pending = pending
        self._out: dict[str, Planned] = {}
        self._tries: dict[str, int] = {}
        self._began = time.monotonic()

    def work(
        self,
        progress: Listener,
        should_stop: Callable[[], bool],
        stop_at: datetime.datetime | None,
    ) -> None:
        """Until nothing is left, or somebody or the clock says stop."""
        while self._pending or self._out:
            left_s = _seconds_until(stop_at)
            if should_stop():
                self._night.stopped = INTERRUPTED
                return
            if left_s <= 0 or (not self._out and self._task_s() > left_s):
                assert stop_at is not None
                self._night.stopped = f"stopped at {datetime.datetime.now():%H:%M}, as asked"
                return
            self._hand_out(left_s)
            progress(self._progress())
            outcomes = self._crew.wait(min(SECONDS_TO_LISTEN, left_s))
            self._hand_out(left_s)  # before anything is written, so that nobody is idle meanwhile
            for outcome in outcomes:
                self._take(outcome)

    def _hand_out(self, left_s: float) -> None:
        while self._pending and self._task_s() <= left_s and self._crew.has_room():
            planned = self._pending.popleft()
            self._out[planned.digest] = planned
            self._crew.submit(self._plan.build(planned))

    def _take(self, outcome: Outcome) -> None:
        planned = self._out.pop(outcome.digest, None)
        if planned is None:  # computed twice, as a cluster may; the bits are the same
            return
        if outcome.failure is None:
            self._shelf.keep(outcome)
            self._night.computed += 1
            self._night.busy_s += outcome.seconds
            return
        self._judge(planned, outcome.failure)

    def _judge(self, planned: Planned, failure: Failure) -> None:
        tries = self._tries[planned.digest] = self._tries.get(planned.digest, 0) + 1
        if failure.may_pass and tries <= self._plan.study.retries:
            self._pending.append(planned)
            return
        alone = self._plan.alone(planned)
        if alone:  # the others of a shared trace needn't suffer
            self._night.tasks += len(alone) - 1
            for one in alone:
                _sort_in(one, self._shelf, self._night, self._pending)
            return
        tried = f" (tried {tries} times)" if tries > 1 else ""
        for run in planned.runs:
            described = self._plan.study.describe(run)
            self._night.failures.append(FailedRun(run, described, failure.sentence + tried))

    def _task_s(self) -> float:
        """Expected length of a task; 0 while none is finished."""
        return self._night.busy_s / self._night.computed if self._night.computed else 0.0

    def _progress(self) -> Progress:
        night = self._night
        done = night.found + night.computed
        left_s = None
        if night.computed:
            to_do = len(self._pending) + len(self._out) / 2
            left_s = (time.monotonic() - self._began) / night.computed * to_do
        failed = f", {len(night.failures)} runs failed" if night.failures else ""
        stage = f"computing {len(self._out)} at once" if self._out else "computing"
        detail = f"{done} of {night.tasks} tasks done{failed}"
        return Progress(stage, done / max(1, night.tasks), detail, left_s)


def _seconds_until(moment: datetime.datetime | None) -> float:
    if moment is None:
        return float("inf")
    return (moment - datetime.datetime.now(moment.tzinfo)).total_seconds()


def _sweep(shelf: Shelf) -> None:
    """Remove what a killed process was just writing."""
    for path in shelf.folder.rglob(".*.part"):
        with contextlib.suppress(OSError):
            path.unlink()


def _write_failures(shelf: Shelf, night: Night) -> None:
    path = shelf.folder / FAILURES_FILE
    text = json.dumps([asdict(one) for one in night.failures], ensure_ascii=False, indent=1)
    try:
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise ResultError(why_not_written(path, error)) from None


def read_failures(shelf: Shelf) -> list[FailedRun]:
    """Runs that failed when the study was last computed."""
    try:
        found = json.loads((shelf.folder / FAILURES_FILE).read_text("utf-8"))
        return [FailedRun(**one) for one in found]
    except (OSError, ValueError, TypeError):
        return []
