"""What a search for places costs: python benchmarks/place.py [--room NAME ...]

Five invented rooms: the bedroom of scenes/linden.toml (34 m3, furnished), the control room (63 m3,
a mesh), a project room with an alcove (41 m3, an outline), an attic under a gable roof (45 m3,
an STL in millimetres) and the vault (119 m3, a mesh of 20,000 triangles). All walls as fronts, 20
to 200 Hz, with the check by the full solution.

Prints a JSON line each: seconds and processor seconds (those of the mesher's processes too), the
share of each phase, and as a unit of this machine the seconds in which numpy solves 50 dense
complex systems of 400 unknowns on one thread; `times_numpy` is the ratio of processor seconds.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import trimesh
from threadpoolctl import threadpool_limits

from raysim.place.asking import ask
from raysim.place.checking import check
from raysim.place.search import search

SCENES = Path(__file__).resolve().parents[1] / "scenes"
GOAL_S = 180
SYSTEMS, UNKNOWNS = 50, 400
PAIR = """\
[sources.left]
position = [{0}, {2}, 1.2]
[sources.right]
position = [{1}, {2}, 1.2]
[receivers.seat]
position = [{3}, {4}, 1.2]
"""
ALCOVE = """\
title = "Project room with an alcove (invented)"
[room]
outline = [[0, 0], [3.6, 0], [3.6, 1.4], [4.0, 1.4], [4.0, 4.2], [0, 4.2]]
height = 2.5
[surfaces]
"wall*" = "hollow wall (knock: hollow)"
ceiling = "gypsum board 13 mm on studs"
floor = "heavy carpet on concrete"
""" + PAIR.format(1.2, 2.4, 0.6, 1.8, 1.64)
ATTIC = """\
title = "Attic under a gable roof (invented)"
[room]
mesh = "attic.stl"
[surfaces]
"*" = "hollow wall (knock: hollow)"
""" + PAIR.format(1.5, 2.7, -0.7, 2.1, -2.0)
ROOMS = ("bedroom", "control room", "alcove", "attic", "vault")
SHIPPED = {
    "bedroom": "linden.toml",
    "control room": "control_room.toml",
    "vault": "vault.toml",
}


def main() -> None:
    """Search in each room once."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--room", nargs="+", choices=ROOMS, default=ROOMS)
    options = parser.parse_args()
    unit_s = seconds_of_numpy()
    with tempfile.TemporaryDirectory() as folder:
        for room in options.room:
            print(json.dumps(timed(room, path_of(room, Path(folder)), unit_s)), flush=True)


def path_of(room: str, folder: Path) -> Path:
    """Scene file of a room."""
    if room in SHIPPED:
        return SCENES / SHIPPED[room]
    (folder / "alcove.toml").write_text(ALCOVE, encoding="utf-8")
    (folder / "attic.toml").write_text(ATTIC, encoding="utf-8")
    attic().export(folder / "attic.stl")
    return folder / f"{room}.toml"


def attic() -> trimesh.Trimesh:
    """4.2 x 6.0 m, knee walls of 1.1 m, a ridge of 2.5 m along the length; mm, y up."""
    gable = [(0, 0), (4200, 0), (4200, 1100), (2100, 2500), (0, 1100)]
    points = np.array([(x, y, z) for z in (0, 6000) for x, y in gable], float)
    faces = [(0, 1, 2), (0, 2, 4), (2, 3, 4)]
    faces += [(a + 5, c + 5, b + 5) for a, b, c in faces]
    for a in range(5):
        b = (a + 1) % 5
        faces += [(a, a + 5, b), (b, a + 5, b + 5)]
    return trimesh.Trimesh(points, faces, process=False)


def seconds_of_numpy() -> float:
    """The unit of this machine."""
    random = np.random.default_rng(1)
    matrices = random.normal(size=(SYSTEMS, UNKNOWNS, UNKNOWNS)).astype(np.complex128)
    right = random.normal(size=(UNKNOWNS, 1)).astype(np.complex128)
    with threadpool_limits(1):
        started = time.thread_time()
        np.linalg.solve(matrices, right)
    return time.thread_time() - started


def timed(room: str, path: Path, unit_s: float) -> dict[str, object]:
    """Seconds, shares and outcome."""
    stages: list[tuple[float, str]] = []

    def told(stage: str, _fraction: float) -> None:
        if not stages or stages[-1][1] != stage:
            stages.append((time.perf_counter(), stage))

    started, used = time.perf_counter(), processor_s()
    question = ask(path)
    found = search(question.asked, told)
    checked = check(question, found, told)
    seconds, processor = time.perf_counter() - started, processor_s() - used
    ends = [at for at, _ in stages[1:]] + [started + seconds]
    shares = {
        stage: round((end - at) / seconds, 2) for (at, stage), end in zip(stages, ends, strict=True)
    }
    return {
        "room": room,
        "volume_m3": round(question.scene.volume, 1),
        "seconds": round(seconds, 1),
        "processor_seconds": round(processor, 1),
        "times_numpy": round(processor / unit_s, 1),
        "shares": shares,
        "layouts": len(found.tried),
        "gain_db": round(found.gain.gain_db, 2),
        "gain_error_db": round(checked.error_db, 2),
        "peak_gb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20, 2),
        "goal_seconds": GOAL_S,
        "cores": len(os.sched_getaffinity(0)),
        "load": round(os.getloadavg()[0], 1),
    }


def processor_s() -> float:
    """Of this process and of those it waited for."""
    own, others = (
        resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime


if __name__ == "__main__":
    main()
