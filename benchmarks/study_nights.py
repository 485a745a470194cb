"""Nights that go wrong: 48 variants by 5 seeds, killed, damaged, and on a cluster that breaks.

    python benchmarks/study_nights.py killed    SIGKILL of the group at three random moments, then
                                                one task file cut, one bit flipped, one removed
    python benchmarks/study_nights.py cluster   Dask with 4 workers, two killed, then the scheduler

    ... --shipped                           with scenes/rear_or_corners.toml at draft precision,
                                            a task for each run; else a small room and few rays

Both end by comparing every array with an uninterrupted study's, bit by bit, and print JSON lines.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

import h5py
import numpy as np
import psutil
import tomli_w

from raysim.cli.run import DRAFT_ERROR_PERCENT

REPOSITORY = Path(__file__).resolve().parents[1]
ROOM = """\
title = "Twin, reduced (invented)"
bands = [250, 2000]
[room]
size = [5.2, 4.1, 2.7]
[materials.plaster]
absorption = [0.15, 0.10, 0.08, 0.08]
scattering = 0.1
[materials.rear]
absorption = 0.2
scattering = 0.1
[materials.corners]
absorption = 0.2
scattering = 0.1
[surfaces]
"*" = "plaster"
rear = "rear"
[patches.corner]
on = "front"
at = [0.0, 0.0]
size = [0.6, 2.7]
material = "corners"
[sources.left]
position = [1.30, 0.90, 1.20]
[receivers.seat]
position = [2.05, 2.20, 1.20]
"""
STUDY = """\
title = "48 variants by 5 seeds"
scene = "room.toml"
seeds = 5
share_traces = false
[settings]
rays = 32
image_order = 2
[factors.rear]
path = "materials.rear.absorption"
values = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8]
[factors.corners]
path = "materials.corners.absorption"
values = [0.1, 0.3, 0.5, 0.6, 0.8, 0.9]
"""
CLUSTER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    cluster = LocalCluster(n_workers=4, threads_per_worker=1, scheduler_port=int(sys.argv[1]),
                           dashboard_address=None, silence_logs=50)
    print(cluster.scheduler_address, *(one.pid for one in cluster.workers.values()), flush=True)
    sys.stdin.read()
"""


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("killed", "cluster"))
    parser.add_argument("--seed", type=int, default=1, help="of the moments and victims")
    parser.add_argument(
        "--shipped", action="store_true", help="the shipped study, in some ten minutes"
    )
    options = parser.parse_args()
    chance = random.Random(options.seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        room, study = shipped() if options.shipped else (ROOM, STUDY)
        (folder / "room.toml").write_text(room)
        (folder / "study.toml").write_text(study)
        began = time.monotonic()
        say("uninterrupted", start(folder, "whole"), began)
        {"killed": killed, "cluster": cluster}[options.what](folder, chance)
        print(json.dumps({"differences": differences(folder / "whole", folder / "out")}))


def shipped() -> tuple[str, str]:
    """The shipped study of 48 variants by 5 seeds, and its room."""
    study = tomllib.loads((REPOSITORY / "scenes/rear_or_corners.toml").read_text())
    room = (REPOSITORY / "scenes" / study["scene"]).read_text()
    draft = {"error_percent": DRAFT_ERROR_PERCENT}
    study |= {"scene": "room.toml", "share_traces": False, "settings": draft}
    return room, tomli_w.dumps(study)


def start(folder: Path, out: str, *more: str) -> subprocess.Popen[str]:
    """A study in a group of processes of its own."""
    command = [sys.executable, "-m", "raysim.cli", "study", "study.toml", "-o", out, "--json"]
    return subprocess.Popen(
        [*command, *more],
        cwd=folder,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    )


def environment() -> dict[str, str]:
    """Ours, with this repository's package unless another goes before."""
    paths = [os.environ.get("PYTHONPATH", ""), str(REPOSITORY)]
    return os.environ | {"PYTHONPATH": os.pathsep.join(path for path in paths if path)}


def say(name: str, process: subprocess.Popen[str], began: float) -> None:
    """Wait for a study and print what it says."""
    out, _ = process.communicate()
    said = json.loads(out)
    wanted = ("runs_done", "runs_failed", "tasks", "tasks_found_done", "tasks_found_damaged")
    content = {key: said[key] for key in (*wanted, "tasks_computed")}
    seconds = round(time.monotonic() - began, 1)
    print(json.dumps({"night": name, "exit": process.returncode, "seconds": seconds} | content))


def finished(folder: Path) -> list[Path]:
    """Files of finished tasks."""
    return sorted((folder / "out/tasks").rglob("[!.]*.h5"))


def wait_for(folder: Path, count: int) -> None:
    """Until so many tasks are finished."""
    while len(finished(folder)) < count:
        time.sleep(0.02)


def killed(folder: Path, chance: random.Random) -> None:
    """Three kills, then damage, then the rest."""
    for count in sorted(chance.sample(range(10, 230), 3)):
        process = start(folder, "out")
        wait_for(folder, count)
        time.sleep(chance.random() * 0.2)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        print(json.dumps({"killed_with_done": len(finished(folder))}), flush=True)
    cut, flipped, removed = chance.sample(finished(folder), 3)
    data = bytearray(flipped.read_bytes())
    data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    flipped.write_bytes(data)
    cut.write_bytes(cut.read_bytes()[: -chance.randrange(1, 1000)])
    removed.unlink()
    print(json.dumps({"intact_before_the_last_night": len(finished(folder)) - 2}), flush=True)
    began = time.monotonic()
    say("last", start(folder, "out"), began)


def cluster(folder: Path, chance: random.Random) -> None:
    """Two workers killed, then the scheduler with all the others; another takes its place."""
    port = str(chance.randrange(20_000, 30_000))
    first, address, workers = start_cluster(port)
    began = time.monotonic()
    process = start(folder, "out", "--cluster", address)
    for victim in chance.sample(workers, 2):
        wait_for(folder, len(finished(folder)) + chance.randrange(10, 40))
        os.kill(victim, signal.SIGKILL)
        print(json.dumps({"worker_killed_with_done": len(finished(folder))}), flush=True)
    wait_for(folder, len(finished(folder)) + chance.randrange(10, 40))
    end(first)
    print(json.dumps({"scheduler_killed_with_done": len(finished(folder))}), flush=True)
    second, _, _ = start_cluster(port)
    say("cluster", process, began)
    end(second)


def start_cluster(port: str) -> tuple[subprocess.Popen[str], str, list[int]]:
    """A scheduler with four workers; its process, its address and theirs."""
    process = subprocess.Popen(
        [sys.executable, "-c", CLUSTER, port],
        env=environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdout is not None
    address, *workers = process.stdout.readline().split()
    return process, address, [int(worker) for worker in workers]


def end(process: subprocess.Popen[str]) -> None:
    """Kill a scheduler and its workers."""
    everyone = psutil.Process(process.pid).children(recursive=True)
    for one in [psutil.Process(process.pid), *everyone]:
        one.kill()
    process.wait()


def differences(one: Path, other: Path) -> dict[str, int]:
    """How many elements of all arrays differ in any bit, of how many."""
    counts = {"arrays": 0, "elements": 0, "different": 0}

    def visit(name: str, node: object) -> None:
        if not isinstance(node, h5py.Dataset) or name.startswith("cost"):
            return
        ours, theirs = (np.asarray(file[name]) for file in (left, right))
        same = (ours == theirs) | ((ours != ours) & (theirs != theirs))
        counts["arrays"] += 1
        counts["elements"] += int(ours.size)
        counts["different"] += int(ours.size - same.sum())

    with h5py.File(one / "study.h5") as left, h5py.File(other / "study.h5") as right:
        assert set(left) == set(right)
        left.visititems(visit)
    return counts


if __name__ == "__main__":
    main()
