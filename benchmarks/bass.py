"""Time and memory of the bass: one room after another, JSON lines.

    python benchmarks/bass.py [HIGHEST_HZ]

Rooms: a box of 60 m3 to 300 Hz, and one of 150 m3 to as high as fits. Invented. Each bare, and
with its rear wall, its ceiling and both treated; then again with two corner traps as volumes, which
the mesh of all has as regions. `cpu` is the time of all cores together: wall
times mean little on a machine that others use.
"""

from __future__ import annotations

import dataclasses
import json
import resource
import sys
import time
from itertools import product

import numpy as np

from raysim.scene.data import Scene, Treatment, Variant
from raysim.solvers.bass import compute_bass, upper_frequency_hz
from raysim.surfaces.grammar import parse_layers
from tests.rooms import material, shoebox

SIZES = ((5.4, 4.1, 2.7), (8.0, 6.2, 3.0))
TREATED = {"rear": ("rear",), "ceiling": ("ceiling",), "both": ("rear", "ceiling")}
TRAP_M = 0.4


def trap(name: str, corner: tuple[float, float], height: float, material: int) -> Treatment:
    """Wool under cloth in the corner at x = 0 or x = the width, y = 0."""
    inwards = 1.0 if corner[0] == 0 else -1.0
    plan = np.array(corner) + TRAP_M * np.array([[0, 0], [inwards, 0], [0, 1]])
    corners = np.array([(*point, z) for point in plan for z in (0.0, height)])
    return Treatment(
        name, name, "corner trap", -1, (0.0,) * 4, 0.3, 0.0, material, "standing", None, None, 1,
        False, "front", corners,
    )  # fmt: skip


def room(size: tuple[float, ...], has_traps: bool) -> Scene:
    """A box with three or four treated variants."""
    scene = shoebox(size, 0.15, sources=((1.1, 1.2, 1.2),), receivers=((2.0, 3.4, 1.2),))
    soft = material("soft", 0.6, 0.1, scene.bands_hz)
    index = {surface.name: n for n, surface in enumerate(scene.surfaces)}
    own = len(scene.materials)
    variants = [Variant("base")] + [
        Variant(name, surfaces=tuple((index[surface], own) for surface in changed))
        for name, changed in TREATED.items()
    ]
    layers = parse_layers(["fabric 200", "porous 300mm 10000"], "wool")
    wool = dataclasses.replace(soft, name="wool", construction=layers)
    corners = ((0.0, 0.0), (size[1], 0.0))
    treatments = [
        trap(f"trap {n}", corner, size[2], own + 1) for n, corner in enumerate(corners, start=1)
    ]
    if has_traps:
        variants.append(Variant("traps", treatments=(0, 1)))
    return dataclasses.replace(
        scene,
        materials=(*scene.materials, soft, wool),
        treatments=tuple(treatments) if has_traps else (),
        variants=tuple(variants),
    )


def main() -> None:
    """Run all, or up to the given frequency only."""
    for has_traps, size in product((False, True), SIZES):
        scene = room(size, has_traps)
        highest = min(300.0, np.floor((75 * 300**3 / scene.volume) ** (1 / 3)))
        if len(sys.argv) > 1:
            highest = float(sys.argv[1])
        stages: list[tuple[str, float, float]] = []

        def told(stage: str, _fraction: float, stages=stages) -> None:
            stages.append((stage, time.perf_counter(), time.process_time()))

        told("start", 0.0)
        bass = compute_bass(scene, highest_hz=highest, told=told)
        told("end", 1.0)
        walls = np.array([wall for _, wall, _ in stages])
        cpus = np.array([cpu for _, _, cpu in stages])
        first = len(stages) - len(scene.variants)  # the stage after the first variant
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
        print(
            json.dumps(
                {
                    "has_traps": has_traps,
                    "volume_m3": round(scene.volume, 1),
                    "highest_hz": highest,
                    "chosen_hz": upper_frequency_hz(scene)[0],
                    "unknowns": int(bass.unknowns[0]),
                    "modes": int((bass.mode_variant == 0).sum()),
                    "first_s": round(walls[first] - walls[0], 2),
                    "first_cpu_s": round(cpus[first] - cpus[0], 2),
                    "variants_s": np.round(np.diff(walls[first:]), 2).tolist(),
                    "variants_cpu_s": np.round(np.diff(cpus[first:]), 2).tolist(),
                    "peak_gb": round(peak, 2),
                }
            ),
            flush=True,
        )


if __name__ == "__main__":
    main()
