"""Rows of the table on the bass and on the response that it is joined to."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from raysim.quantities.overlap import interference_spread_db
from tests.analytic import test_reduced_room as reduced
from tests.statistical import test_overlap as overlap

Row = tuple[str, str, str, str, str]


def reduced_room() -> Iterator[Row]:
    """The reduced control room against all unknowns."""
    rooms = reduced.Rooms(reduced.TO_HZ)
    frequencies = np.geomspace(25.0, reduced.TO_HZ, reduced.COMPARED)
    for treatment in reduced.TREATED:
        off = rooms.off_db(treatment, frequencies)
        yield (
            f"control room by waves, 25 to {reduced.TO_HZ:.0f} Hz, {treatment}: reduced room at "
            "five places",
            "all unknowns of the elements, to 1e-7 of the load",
            "equal, 0.3 dB rms",
            f"{np.sqrt((off**2).mean()):.2f} dB rms, worst {np.abs(off).max():.2f} dB",
            "`analytic/test_reduced_room.py`",
        )


def joined() -> Iterator[Row]:
    """Where the response at the seat is joined: waves less images in phase and rays."""
    result, response = overlap.computed()
    off = response.overlap_db
    yield (
        f"box of 40 m³, ten seats, thirds of 200 and 250 Hz: waves less images to order "
        f"{overlap.ORDER} in phase and rays",
        "series of a box; interference of the rest, after Schroeder 1962 (from memory)",
        f"at most {interference_spread_db(result, response):.1f} dB rms",
        f"{np.sqrt((off**2).mean()):.1f} dB rms, means {', '.join(_means(off))} dB",
        "`statistical/test_overlap.py`",
    )


def _means(off: np.ndarray) -> list[str]:
    return [f"{mean:+.1f}" for mean in np.round(off[0, 0].mean(axis=0), 1) + 0.0]
