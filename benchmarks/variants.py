"""What variants and maps cost: 16 and 64 panel variants against one, a run with maps against none.

    python benchmarks/variants.py [SCENE] [--rays N] [--threads N] [--repeats N]

Prints JSON lines. Each variant has one panel of 1.2 x 0.6 m somewhere on the walls. `times_one`
is the seconds of all over those of one panel variant, in this process, both warm and turn about,
the fastest of the repeats; `core_seconds` are those that all cores worked, which other jobs of
the machine disturb less. `maps_times_none` is the median over the repeats (and the least and the
most) of the core seconds of a run with maps over those of one without. Memory is that of the maps
kept, and what they add to the peak of all memory that Python and numpy allocate during a warm run
(tracemalloc).
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(REPOSITORY))

from raysim.scene.data import Scene, Treatment, Variant  # noqa: E402
from raysim.scene.read import load_scene  # noqa: E402
from raysim.settings import Settings  # noqa: E402
from raysim.solvers.run import run  # noqa: E402

COUNTS = (1, 16, 64)
GOALS = {16: 2.5, 64: 6.0}
SIZE_M = (1.2, 0.6)


def main() -> None:
    """Measure times in this process and memory in children."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scene", nargs="?", default=REPOSITORY / "scenes" / "control_room.toml")
    parser.add_argument("--rays", type=int, default=32768)
    parser.add_argument("--threads", type=int)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    measure_times(options)
    measure_maps(options)
    measure_memory(options)


def measure_times(options: argparse.Namespace) -> None:
    """Seconds of each count of variants, turn about."""
    bare = load_scene(Path(options.scene))
    settings = Settings(rays=options.rays, threads=options.threads)
    scenes = {count: with_panels(bare, count) for count in COUNTS}
    names = {count: [f"panel {k + 1}" for k in range(count)] for count in COUNTS}
    run(scenes[1], dataclasses.replace(settings, rays=32), variants=names[1])  # compiles
    seconds, work = ({count: np.inf for count in COUNTS} for _ in range(2))
    for _ in range(options.repeats):
        for count, scene in scenes.items():
            started, worked = time.perf_counter(), time.process_time()
            run(scene, settings, variants=names[count])
            seconds[count] = min(seconds[count], time.perf_counter() - started)
            work[count] = min(work[count], time.process_time() - worked)
    for count in COUNTS:
        line = {
            "variants": count,
            "rays": options.rays,
            "seconds": round(seconds[count], 3),
            "times_one": round(seconds[count] / seconds[1], 2),
            "core_seconds": round(work[count], 3),
            "core_seconds_over_one": round(work[count] / work[1], 2),
            "goal": GOALS.get(count),
            "cores": options.threads or len(os.sched_getaffinity(0)),
        }
        print(json.dumps(line), flush=True)


def with_panels(scene: Scene, count: int) -> Scene:
    """The scene with `count` variants of one panel each, on walls large enough."""
    random = np.random.default_rng(1)
    absorption = np.full(len(scene.bands_hz), 0.9)
    panel = dataclasses.replace(scene.materials[0], name="panel", absorption=absorption)
    walls = [
        number
        for number, facet in enumerate(scene.facets)
        if abs(facet.normal[2]) < 0.1 and (facet.size > np.array(SIZE_M) + 0.2).all()
        if scene.surfaces[facet.surface].owner == "room"
    ]
    pieces = []
    for k in range(count):
        wall = walls[k % len(walls)]
        u, v = random.uniform(0.1, scene.facets[wall].size - np.array(SIZE_M) - 0.1)
        name = f"panel {k + 1}"
        pieces.append(
            Treatment(
                *(name, name, "panel", wall, (u, v, u + SIZE_M[0], v + SIZE_M[1]), 0.1, 0.0),
                *(len(scene.materials), "hung", None, None, 1, False, "", np.zeros((8, 3))),
            )
        )
    return dataclasses.replace(
        scene,
        materials=(*scene.materials, panel),
        treatments=tuple(pieces),
        variants=tuple(Variant(piece.name, (k,)) for k, piece in enumerate(pieces)),
    )


def measure_maps(options: argparse.Namespace) -> None:
    """Core seconds with maps over those without, turn about."""
    scene = load_scene(Path(options.scene))
    settings = Settings(rays=options.rays, threads=options.threads)
    run(scene, dataclasses.replace(settings, rays=32, maps=True))  # compiles
    ratios = []
    for _ in range(options.repeats):
        work = []
        for has_maps in (False, True):
            worked = time.process_time()
            run(scene, dataclasses.replace(settings, maps=has_maps))
            work.append(time.process_time() - worked)
        ratios.append(work[1] / work[0])
    line = {
        "rays": options.rays,
        "maps_times_none": round(float(np.median(ratios)), 2),
        "least": round(min(ratios), 2),
        "most": round(max(ratios), 2),
        "goal": 1.5,
    }
    print(json.dumps(line), flush=True)


def measure_memory(options: argparse.Namespace) -> None:
    """Peak with maps over that without, and the size of the maps kept."""
    scene = load_scene(Path(options.scene))
    peaks, kept = [], 0
    for has_maps in (False, True):
        settings = Settings(rays=options.rays, threads=options.threads, maps=has_maps)
        run(scene, dataclasses.replace(settings, rays=32))  # compiles
        tracemalloc.start()
        maps = run(scene, settings).maps
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        if maps is not None:
            pairs = (maps.incident, maps.arriving, maps.slope)
            kept = sum(array.nbytes for pair in pairs for array in pair)
    line = {
        "maps_kept_mb": round(kept / 1e6, 1),
        "peak_with_maps_mb": round(peaks[1] / 1e6, 1),
        "peak_without_mb": round(peaks[0] / 1e6, 1),
        "maps_add_mb": round((peaks[1] - peaks[0]) / 1e6, 1),
        "goal_mb": 200,
    }
    print(json.dumps(line))


if __name__ == "__main__":
    main()
