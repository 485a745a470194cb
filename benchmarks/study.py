"""Studies: how busy they keep the cores, memory over 10,000 tasks, time to merge.

    python benchmarks/study.py busy [--tasks N]     tasks of about 1 s of ray tracing
    python benchmarks/study.py waiting [--tasks N]  tasks that sleep 1 s: what handing out costs
    python benchmarks/study.py many [--tasks N]     tiny tasks, 10,000 unless given

Prints JSON lines. `busy` is the share of the workers' time that went into tasks, their start
included, `busy_once_started` without it. Memory is that of the process that hands out (`parent`)
and of the largest worker. `many` also merges and prints seconds and bytes a run.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path

import psutil

from raysim.results.run_numbers import seal
from raysim.study.conduct import conduct
from raysim.study.merge import merge
from raysim.study.plan import Plan, Shelf
from raysim.study.read import load_study
from raysim.study.tasks import Outcome, Task, attempt, processor_count
from raysim.study.workers import LocalCrew, need_bytes

ROOM = """\
title = "Invented room"
bands = [{bands}]
[room]
size = [3.0, 2.5, 2.4]
[materials.soft]
absorption = {absorption}
scattering = 0.1
[surfaces]
"*" = "soft"
[sources.left]
position = [1.1, 0.6, 1.2]
[receivers.seat]
position = [1.7, 1.6, 1.2]
"""
STUDY = """\
scene = "room.toml"
seeds = {seeds}
share_traces = false
[settings]
rays = {rays}
image_order = 0
duration_s = {duration}
[factors.temperature]
path = "climate.temperature_c"
values = {values}
"""
SAMPLES = 20


def main() -> None:
    """Run the measurement asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("busy", "waiting", "many"))
    parser.add_argument("--tasks", type=int)
    parser.add_argument("--workers", type=int, default=processor_count())
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        {"busy": busy, "waiting": waiting, "many": many}[options.what](Path(name), options)


def made(folder: Path, tasks: int, rays: int, room: dict[str, object], duration: float) -> Plan:
    """A study of so many tasks."""
    seeds = max(1, round(tasks**0.5))
    values = [10 + k / 100 for k in range(-(-tasks // seeds))]
    (folder / "room.toml").write_text(ROOM.format(**room))
    text = STUDY.format(seeds=seeds, rays=rays, values=values, duration=duration)
    (folder / "study.toml").write_text(text)
    return Plan(load_study(folder / "study.toml"))


LIVE = {"bands": "125, 4000", "absorption": 0.1}
DEAD = {"bands": "1000, 1000", "absorption": 0.95}


def busy(folder: Path, options: argparse.Namespace) -> None:
    """Tasks of ray tracing that take about a second each."""
    plan = made(folder, 1, 32, LIVE, 0.5)
    attempt(plan.build(plan.planned[0]), 1)  # compiles
    rays, seconds = 8192, 0.0
    while seconds < 1.0:
        plan = made(folder, 1, rays, LIVE, 0.5)
        began = time.monotonic()
        attempt(plan.build(plan.planned[0]), 1)
        seconds = time.monotonic() - began
        rays += 0 if seconds >= 1.0 else max(8192, round(rays * (1.05 / seconds - 1)))
    plan = made(folder, options.tasks or 60, rays, LIVE, 0.5)
    measure("busy", folder, plan, options.workers, attempt)


def sleep(task: Task, _threads: int) -> Outcome:
    """A second of nothing, with bytes like those of a real task."""
    began = time.monotonic()
    time.sleep(1.0)
    return Outcome(task.digest, seal(b"x" * 15_000, task.digest), seconds=time.monotonic() - began)


def waiting(folder: Path, options: argparse.Namespace) -> None:
    """Tasks that only wait, so that other programs on the machine matter little."""
    plan = made(folder, options.tasks or 60, 32, DEAD, 0.02)
    measure("waiting", folder, plan, options.workers, sleep)


def many(folder: Path, options: argparse.Namespace) -> None:
    """Tiny tasks in large number, merged."""
    began = time.monotonic()
    plan = made(folder, options.tasks or 10_000, 32, DEAD, 0.02)
    print(json.dumps({"tasks": len(plan.planned), "plan_s": round(time.monotonic() - began, 2)}))
    shelf = measure("many", folder, plan, options.workers, attempt)
    runs = plan.study.runs
    began = time.monotonic()
    merged = merge(plan, shelf, [])
    merge_s = time.monotonic() - began
    began = time.monotonic()
    done = sum(shelf.is_done(one.digest) for one in plan.planned)
    files = [path.stat().st_size for path in (folder / "out").rglob("*.h5")]
    print(
        json.dumps(
            {
                "runs_done": merged.done,
                "merge_s": round(merge_s, 2),
                "merge_ms_a_run": round(1000 * merge_s / runs, 3),
                "check_ms_a_task": round(1000 * (time.monotonic() - began) / done, 3),
                "task_file_bytes": round((sum(files) - shelf.data_path.stat().st_size) / done),
                "merged_bytes_a_run": round(shelf.data_path.stat().st_size / runs),
                "parent_mib_after_merge": mib(psutil.Process().memory_info().rss),
            }
        ),
        flush=True,
    )


class Watched(Shelf):
    """A folder that notes when each task came in and how long it took."""

    def __init__(self, folder: Path, keep_results: bool) -> None:
        super().__init__(folder, keep_results)
        self.kept: list[tuple[float, float]] = []

    def keep(self, outcome: Outcome) -> None:
        """Note and keep."""
        self.kept.append((time.monotonic(), outcome.seconds))
        super().keep(outcome)

    def busy(self, workers: int) -> float:
        """Share of the workers' time from when all have given something to the last task."""
        (started, _), *others = self.kept[workers - 1 :]
        return sum(seconds for _, seconds in others) / (workers * (others[-1][0] - started))


def measure(name: str, folder: Path, plan: Plan, workers: int, compute: object) -> Shelf:
    """Compute a plan and print shares of time and memory on the way."""
    shelf = Watched(folder / "out", keep_results=False)
    shelf.folder.mkdir()
    this = psutil.Process()
    samples: list[tuple[int, float, float]] = []
    tasks = len(plan.planned)

    def sample(progress: object) -> None:
        done = round(getattr(progress, "fraction", 0.0) * tasks)
        if done >= len(samples) * tasks / SAMPLES:
            children = [one.memory_info().rss for one in this.children() if one.is_running()]
            samples.append((done, mib(this.memory_info().rss), mib(max(children, default=0))))

    began = time.monotonic()
    crew = LocalCrew(workers, 1, need_bytes(plan.study), compute)  # type: ignore[arg-type]
    night = conduct(plan, shelf, lambda _: crew, sample)
    seconds = time.monotonic() - began
    print(
        json.dumps(
            {
                "measurement": name,
                "tasks": night.computed,
                "failed": len(night.failures),
                "workers": workers,
                "seconds": round(seconds, 2),
                "seconds_a_task": round(night.busy_s / max(1, night.computed), 4),
                "busy": round(night.busy_s / (workers * seconds), 4),
                "busy_once_started": round(shelf.busy(workers), 4),
                "done_parent_mib_worker_mib": samples,
            }
        ),
        flush=True,
    )
    return shelf


def mib(size: float) -> float:
    """Bytes as MiB."""
    return round(size / 2**20, 1)


if __name__ == "__main__":
    main()
