"""The main job: seconds, compile seconds, peak memory, reflections per second.

    python benchmarks/main_job.py [SCENE] [--error PERCENT] [--threads N] [--rays N]

Prints JSON lines. 'cold' starts with an empty cache of compiled kernels, as at the first run
after installation, and 'warm' repeats it with the cache it left; both trace only a few rays, so
that their difference is what compiling costs. 'main job' goes to the asked precision, warm.
Each is a process of its own; `peak_memory_mib` is the process's largest resident size.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
FEW_RAYS = 32
BYTES_A_UNIT = 1 if sys.platform == "darwin" else 1024


def main() -> None:
    """Run the three measurements, or one of them in a child process."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scene", nargs="?", default=REPOSITORY / "scenes" / "control_room.toml")
    parser.add_argument("--error", type=float, default=1.0, help="standard error of T20, percent")
    parser.add_argument("--rays", type=int, help="rays a source instead of a precision")
    parser.add_argument("--threads", type=int, help="default: all cores")
    parser.add_argument("--measure", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure:
        measure(options)
        return
    with tempfile.TemporaryDirectory() as cache:
        cold = in_child(options, "cold", cache, rays=FEW_RAYS)
        warm = in_child(options, "warm", cache, rays=FEW_RAYS)
        print(json.dumps({"compile_s": round(cold["total_s"] - warm["total_s"], 2)}))
        in_child(options, "main job", cache, rays=options.rays)


def in_child(
    options: argparse.Namespace, name: str, cache: str, rays: int | None
) -> dict[str, float]:
    """Measure in a new process and print what it prints."""
    command = [sys.executable, __file__, str(options.scene), "--measure", name]
    command += ["--error", str(options.error)]
    command += [] if rays is None else ["--rays", str(rays)]
    command += [] if options.threads is None else ["--threads", str(options.threads)]
    paths = [str(REPOSITORY), os.environ.get("PYTHONPATH", "")]
    environment = os.environ | {
        "NUMBA_CACHE_DIR": cache,
        "PYTHONPATH": os.pathsep.join(path for path in paths if path),
    }
    done = subprocess.run(command, env=environment, check=True, capture_output=True, text=True)
    print(done.stdout, end="", flush=True)
    return dict(json.loads(done.stdout))


def measure(options: argparse.Namespace) -> None:
    """Load, run and evaluate; print one JSON line."""
    started = time.perf_counter()
    from raysim.quantities import evaluate_all
    from raysim.scene.read import load_scene
    from raysim.settings import Settings
    from raysim.solvers.run import run

    imported = time.perf_counter()
    scene = load_scene(Path(options.scene))
    loaded = time.perf_counter()
    settings = Settings(error_percent=options.error, rays=options.rays, threads=options.threads)
    result = run(scene, settings)
    computed = time.perf_counter()
    evaluate_all(result)
    ended = time.perf_counter()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * BYTES_A_UNIT
    line = {
        "measured": options.measure,
        "scene": Path(options.scene).stem,
        "triangles": len(scene.mesh.triangles),
        "sources": len(scene.sources),
        "receivers": len(scene.receivers),
        "bands": len(scene.bands_hz),
        "image_order": result.image_order,
        "error_percent": options.error if options.rays is None else None,
        "stopped_by": result.stopped_by,
        "rays": result.rays,
        "reflections": result.reflection_count,
        "lost_rays": result.lost_rays,
        "import_s": round(imported - started, 2),
        "load_s": round(loaded - imported, 2),
        "run_s": round(computed - loaded, 2),
        "evaluate_s": round(ended - computed, 2),
        "total_s": round(ended - started, 2),
        "reflections_per_s": round(result.reflection_count / (computed - loaded)),
        "peak_memory_mib": round(peak / 2**20),
        "cores": options.threads or len(os.sched_getaffinity(0)),
    }
    print(json.dumps(line))


if __name__ == "__main__":
    main()
