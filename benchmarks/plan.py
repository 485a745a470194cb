"""What a plan costs: the bedroom of scenes/linden.toml, 60 candidates, at most 8 things.

    python benchmarks/plan.py [--rays N] [--candidates N] [--count N] [--threads N]
        [--budget SUM] [--bass]

Prints JSON lines: seconds of the search, sets computed, and as a unit of this machine the seconds
of one run of the bare room with as many rays, warm; `times_one` is their ratio. The search is
timed from the scene file to the stop line, kernels compiled before.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from dataclasses import replace
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(REPOSITORY))

from raysim.plan.catalogue import load_catalogue  # noqa: E402
from raysim.plan.conduct import make_plan  # noqa: E402
from raysim.scene.read import load_scene  # noqa: E402
from raysim.scene.workshop import Workshop  # noqa: E402
from raysim.settings import Settings  # noqa: E402
from raysim.solvers.run import run  # noqa: E402

GOAL_S = 300


def main() -> None:
    """Time one plan."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rays", type=int, default=32768)
    parser.add_argument("--candidates", type=int, default=60)
    parser.add_argument("--count", type=int, default=8)
    parser.add_argument("--threads", type=int)
    parser.add_argument("--budget", type=float, default=600.0)
    parser.add_argument("--bass", action="store_true")
    options = parser.parse_args()
    path = REPOSITORY / "scenes" / "linden.toml"
    scene = load_scene(path)
    settings = Settings(rays=options.rays, threads=options.threads, image_order=2)
    run(scene, replace(settings, rays=32, maps=True))  # compiles
    started = time.perf_counter()
    run(scene, settings)
    one_s = time.perf_counter() - started
    catalogue = load_catalogue(REPOSITORY / "scenes" / "linden_catalogue.toml")
    limits = replace(catalogue.limits, budgets=(options.budget,), count=options.count)
    started, spent = time.perf_counter(), time.process_time()
    plan = make_plan(
        Workshop(path),
        catalogue,
        limits,
        rays=options.rays,
        most=options.candidates,
        threads=options.threads,
        with_bass=options.bass,
    )
    seconds = time.perf_counter() - started
    line = {
        "candidates": plan.candidates,
        "sets": plan.evaluated,
        "things": sum(len(step.site.sections) for step in plan.kept),
        "rays": options.rays,
        "bass": options.bass,
        "seconds": round(seconds, 1),
        "processor_seconds": round(time.process_time() - spent, 1),
        "times_one": round(seconds / one_s, 1),
        "goal_seconds": GOAL_S,
        "cores": options.threads or len(os.sched_getaffinity(0)),
        "load": round(os.getloadavg()[0], 1),
    }
    print(json.dumps(line), flush=True)


if __name__ == "__main__":
    main()
