"""What the table over the angle of incidence costs a scene without layered materials.

    python benchmarks/angles.py [SCENE] [--rays N] [--turns N]

The kernels as they are against the same kernels without cosines of incidence, in two processes
that take turns. Prints JSON lines: processor seconds of one thread for each run, and the ratio of
the medians with the standard error of its logarithm by the spread of the turns. Both must give the
same reflections, and a scene with layers is refused.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

REPOSITORY = Path(__file__).resolve().parents[1]
KINDS = ("with table", "without")


def main() -> None:
    """Let both take turns, or be one of them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scene", nargs="?", default=REPOSITORY / "scenes" / "control_room.toml")
    parser.add_argument("--rays", type=int, default=131072, help="a source")
    parser.add_argument("--turns", type=int, default=9)
    parser.add_argument("--be", choices=KINDS, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.be:
        be(options)
    else:
        compare(options)


def compare(options: argparse.Namespace) -> None:
    """Start both, ask them in turn, in changing order, and print the ratio."""
    seconds: dict[str, list[float]] = {kind: [] for kind in KINDS}
    counted = set()
    with tempfile.TemporaryDirectory() as caches:
        children = {
            kind: start(options, kind, Path(caches) / str(k)) for k, kind in enumerate(KINDS)
        }
        for turn in range(options.turns + 1):  # the first compiles and isn't counted
            for kind in KINDS if turn % 2 else KINDS[::-1]:
                said = ask(children[kind])
                counted.add(said["reflections"])
                if turn:
                    seconds[kind].append(said["seconds"])
                    print(json.dumps({"kernels": kind, **said}), flush=True)
        for child in children.values():
            child.communicate("")
    if len(counted) != 1:
        raise SystemExit("the two trace differently, so their times can't be compared")
    logarithms = np.log(seconds[KINDS[0]]) - np.log(seconds[KINDS[1]])
    error = float(np.std(logarithms, ddof=1) / np.sqrt(len(logarithms)))
    medians = [float(np.median(seconds[kind])) for kind in KINDS]
    line = {"ratio": round(medians[0] / medians[1], 4), "standard_error": round(error, 4)}
    print(json.dumps(line))


def start(options: argparse.Namespace, kind: str, cache: Path) -> subprocess.Popen[str]:
    """One process with a cache of compiled kernels of its own."""
    command = [sys.executable, __file__, str(options.scene), "--be", kind]
    environment = os.environ | {
        "NUMBA_CACHE_DIR": str(cache),
        "PYTHONPATH": os.pathsep.join(
            p for p in (str(REPOSITORY), os.environ.get("PYTHONPATH")) if p
        ),
    }
    return subprocess.Popen(
        [*command, "--rays", str(options.rays)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    )


def ask(child: subprocess.Popen[str]) -> dict[str, float]:
    """One run of a child."""
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write("go\n")
    child.stdin.flush()
    return dict(json.loads(child.stdout.readline()))


def be(options: argparse.Namespace) -> None:
    """Trace once for each line that comes in."""
    if options.be == "without":
        from raysim.kernels import boundary
        from raysim.kernels.compiled import inlined

        assert "raysim.kernels.ray" not in sys.modules  # it takes these when it is imported
        boundary.rows_at = inlined(row_of)
        boundary.between = inlined(entry)
    from raysim.scene.read import load_scene
    from raysim.settings import Settings
    from raysim.solvers.run import run

    scene = load_scene(Path(options.scene))
    if any(material.construction is not None for material in scene.materials):
        raise SystemExit(f"{options.scene}: it has layered materials; give a scene without")
    settings = Settings(rays=options.rays, threads=1, image_order=1, duration_s=0.6)
    for _ in sys.stdin:
        began = time.process_time()
        result = run(scene, settings)
        seconds = round(time.process_time() - began, 3)
        print(json.dumps({"seconds": seconds, "reflections": result.reflection_count}), flush=True)


def row_of(_boundary, material, _cosine):  # type: ignore[no-untyped-def]
    """`kernels.boundary.rows_at` of coefficients alone."""
    return material, material, 0.0


def entry(table, low, _high, _share, column):  # type: ignore[no-untyped-def]
    """`kernels.boundary.between` of coefficients alone."""
    return table[low, column]


if __name__ == "__main__":
    main()
