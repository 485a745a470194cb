"""Rows of the table on the bass and on the response that it is joined to."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from raysim.quantities.overlap import interference_spread_db
from tests.analytic import test_porous_bodies as bodies
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


def porous_bodies() -> Iterator[Row]:
    """Porous bodies as volumes, bare and under cloth."""
    where = "`analytic/test_porous_bodies.py`"
    duct = bodies.duct()
    off = np.abs([bodies.plug_off_db(duct, cloth) for cloth in (None, 600.0)]).max(axis=(0, 2))
    yield (
        "100 mm of 20 kPa s/m² as a plug in a duct, bare and under cloth, 40 to 300 Hz: levels",
        "transfer matrices of plane waves",
        "equal, 0.1 dB before and 0.3 dB behind it",
        f"worst {off[0]:.2f} dB before, {off[1]:.2f} dB behind",
        where,
    )
    lined = bodies.lined()
    off = np.hstack([bodies.lined_off(lined, cloth) for cloth in (None, 300.0)])
    worst = 100 * np.abs(off).max(axis=1)
    yield (
        f"0.3 m of 10 kPa s/m² on a wall of a box, bare and under cloth: {off.shape[1]} modes",
        "complex roots of the exact equation (Morse and Ingard, Theoretical Acoustics, 9.4)",
        "frequency 0.3 %, decay 3 %",
        f"worst {worst[0]:.2f} %, {worst[1]:.1f} %",
        where,
    )
    corner = bodies.corner()
    off = np.array([bodies.traps_off_db(corner, cloth)[0] for cloth in (None, 200.0)])
    yield (
        "two traps as volumes, bare and under cloth, 40 to 190 Hz: reduced room at four places",
        "all unknowns of the elements",
        "equal, 0.1 dB rms",
        f"{np.sqrt((off**2).mean()):.2f} dB rms, worst {np.abs(off).max():.2f} dB",
        where,
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
