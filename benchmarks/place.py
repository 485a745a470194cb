"""Seconds of a whole search for places in the bedroom studio: python benchmarks/place.py

Prints a JSON line: seconds of the search and of the check by the full solution, layouts tried,
gain with its error, peak memory. The room is scenes/linden.toml, invented, 34 m3.
"""

from __future__ import annotations

import json
import resource
import time
from pathlib import Path

from raysim.place.asking import ask
from raysim.place.checking import check
from raysim.place.search import search

SCENE = Path(__file__).resolve().parents[1] / "scenes" / "linden.toml"


def main() -> None:
    """Search once, all walls as fronts, 20 to 200 Hz."""
    start, used = time.perf_counter(), time.process_time()
    question = ask(SCENE)
    found = search(question.asked)
    searched = time.perf_counter()
    checked = check(question, found)
    print(
        json.dumps(
            {
                "benchmark": "place",
                "search_s": round(searched - start, 1),
                "check_s": round(time.perf_counter() - searched, 1),
                "cpu_s": round(time.process_time() - used, 1),
                "layouts": len(found.tried),
                "gain_db": round(found.gain.gain_db, 2),
                "gain_error_db": round(checked.error_db, 2),
                "peak_gb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20, 2),
            }
        )
    )


if __name__ == "__main__":
    main()
