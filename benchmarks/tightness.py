"""Many reflections in a scene: how many rays are lost, how fast, and the same bits or not.

    python benchmarks/tightness.py [SCENE ...] [--reflections 1e8]

Prints a JSON line a scene. Traces rounds with all cores until the reflections are reached, then
repeats the first round with one thread and compares bits.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np

import raysim
from raysim.kernels.ray import Plan
from raysim.kernels.threads import cores, set_num_threads
from raysim.solvers.late import trace_round
from raysim.solvers.pack import pack

SCENES = Path(__file__).resolve().parents[1] / "scenes"
BINS = 400
BIN_S = 0.001


def main() -> None:
    """Measure each scene."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "scenes", nargs="*", default=[SCENES / "control_room.toml", SCENES / "vault.toml"]
    )
    parser.add_argument("--reflections", type=float, default=1e8)
    options = parser.parse_args()
    for path in options.scenes:
        print(json.dumps(measure(Path(path), options.reflections)), flush=True)


def measure(path: Path, reflections: float) -> dict[str, object]:
    """Trace one scene."""
    scene = raysim.load_scene(path)
    packed = pack(scene, 0.25)
    longest = BINS * BIN_S * packed.speed
    plan = Plan(0, packed.speed, packed.attenuation, longest, BIN_S)
    first = trace_round(packed, plan, 1, 0, BINS)
    done, lost, number = first.reflections, first.lost, 1
    started = time.monotonic()
    while done < reflections:
        more = trace_round(packed, plan, 1, number, BINS)
        done, lost, number = done + more.reflections, lost + more.lost, number + 1
    seconds = time.monotonic() - started
    threads = cores()
    set_num_threads(1)
    alone = trace_round(packed, plan, 1, 0, BINS)
    set_num_threads(threads)
    return {
        "scene": path.stem,
        "triangles": len(scene.mesh.triangles),
        "reflections": done,
        "lost": lost,
        "million_reflections_per_s": round((done - first.reflections) / seconds / 1e6, 2),
        "threads": threads,
        "same_bits_with_one_thread": bool(np.array_equal(alone.energy, first.energy)),
    }


if __name__ == "__main__":
    main()
