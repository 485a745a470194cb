"""Time and memory of the bass: one room, one variant at a time, JSON lines.

    python benchmarks/bass.py [HIGHEST_HZ]

Rooms: a box of 60 m3 to 300 Hz, and one of 150 m3 to as high as fits. Invented.
"""

from __future__ import annotations

import json
import resource
import sys
import time

import numpy as np

from raysim.solvers.bass import compute_bass, upper_frequency_hz
from tests.rooms import shoebox

SIZES = ((5.4, 4.1, 2.7), (8.0, 6.2, 3.0))


def main() -> None:
    """Run all, or up to the given frequency only."""
    for size in SIZES:
        scene = shoebox(size, 0.15, sources=((1.1, 1.2, 1.2),), receivers=((2.0, 3.4, 1.2),))
        highest = min(300.0, np.floor((75 * 300**3 / scene.volume) ** (1 / 3)))
        if len(sys.argv) > 1:
            highest = float(sys.argv[1])
        stages: dict[str, float] = {}
        began = time.perf_counter()

        def told(stage: str, _fraction: float, began=began, stages=stages) -> None:
            stages[stage] = round(time.perf_counter() - began, 2)

        bass = compute_bass(scene, highest_hz=highest, told=told)
        print(
            json.dumps(
                {
                    "volume_m3": round(scene.volume, 1),
                    "highest_hz": highest,
                    "chosen_hz": upper_frequency_hz(scene)[0],
                    "unknowns": int(bass.unknowns[0]),
                    "modes": len(bass.mode_kind),
                    "stage_began_s": stages,
                    "first_result_s": round(time.perf_counter() - began, 2),
                    "peak_gb": round(
                        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2, 2
                    ),
                }
            ),
            flush=True,
        )


if __name__ == "__main__":
    main()
