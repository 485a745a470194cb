"""The reduced room against all unknowns to 300 Hz, in the control room: one JSON line a treatment.

    python benchmarks/reduced.py [HIGHEST_HZ]

At the seat and four places, at twelve frequencies from 25 Hz to the highest, even over pitch.
"""

from __future__ import annotations

import json
import sys

import numpy as np

from tests.analytic.test_reduced_room import COMPARED, TREATED, Rooms


def main() -> None:
    """Print root mean square and worst, in all and by frequency."""
    highest = float(sys.argv[1]) if len(sys.argv) > 1 else 300.0
    rooms = Rooms(highest)
    frequencies = np.round(np.geomspace(25.0, highest, COMPARED))
    for treatment in TREATED:
        off = rooms.off_db(treatment, frequencies)
        print(
            json.dumps(
                {
                    "treatment": treatment,
                    "unknowns": rooms.whole.elements.size,
                    "rms_db": round(float(np.sqrt((off**2).mean())), 3),
                    "worst_db": round(float(np.abs(off).max()), 2),
                    "frequency_hz": frequencies.tolist(),
                    "rms_by_frequency_db": np.round(np.sqrt((off**2).mean(axis=1)), 3).tolist(),
                }
            ),
            flush=True,
        )


if __name__ == "__main__":
    main()
