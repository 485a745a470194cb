"""What a report shows of each receiver."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from raysim.estimate import Estimate
from raysim.report import elevations, tables, words
from raysim.report.listed import Listed, list_reflections, unjudged
from raysim.report.pictures import Pictures, draw_all
from raysim.results.data import Result
from raysim.units import counted

MOST_SHOWN = 4


@dataclass(frozen=True)
class Seat:
    """One receiver on the page.

    Attributes
    ----------
    name, anchor : str
        `anchor` is its place in the page.
    listed : list of Listed
        Reflections, numbered anew at each receiver.
    pictures : Pictures
    rows : list of dict
        Of the table of early reflections.
    notes : list of str
        Below that table.
    worst : str
        Its strongest early reflection in words.
    tables : list of QuantityTable
    """

    name: str
    anchor: str
    listed: list[Listed]
    pictures: Pictures
    rows: list[dict[str, object]]
    notes: list[str]
    worst: str
    tables: list[tables.QuantityTable]


def describe(result: Result, estimates: dict[str, Estimate], variant: int) -> list[Seat]:
    """Every receiver up to `MOST_SHOWN` of them, or else the first."""
    count = len(result.scene.receivers)
    shown = range(count if count <= MOST_SHOWN else 1)
    return [_seat(result, estimates, variant, receiver) for receiver in shown]


def _seat(result: Result, estimates: dict[str, Estimate], variant: int, receiver: int) -> Seat:
    name = result.scene.receivers[receiver].name
    slug = re.sub(r"\W+", "-", name).strip("-") or "receiver"
    listed = list_reflections(result, variant, receiver)
    prefix = f"receiver_{receiver + 1:02d}_{slug}_" if receiver else ""
    return Seat(
        name=name,
        anchor=f"receiver-{receiver + 1}",
        listed=listed,
        pictures=draw_all(result, listed, estimates, variant, receiver, prefix),
        rows=tables.reflection_rows(result, listed),
        notes=_early_notes(result, listed, variant, receiver),
        worst=words.worst_reflection(result, listed, receiver),
        tables=tables.quantity_tables(result, estimates, variant, receiver),
    )


def _early_notes(
    result: Result, listed: Sequence[Listed], variant: int, receiver: int
) -> list[str]:
    here = [p for p in result.reflections if (p.variant, p.receiver) == (variant, receiver)]
    total = sum(p.order > 0 for p in here)
    notes = [
        f"Listed are {len(listed)} of {total} mirror reflections off at most "
        f"{counted(result.image_order, 'surface')}; all are in "
        "reflections.csv. Near neighbours on one surface are listed once, the strongest."
    ]
    silent = ", ".join(f"“{result.scene.sources[source].name}”" for source in unjudged(result))
    if silent:
        notes.append(f"None of {silent}, which plays nothing within 1 to 8 kHz.")
    tolerance_m = result.scene.tolerance_m
    if tolerance_m is not None:
        notes.append(
            f"The ± of a time is what the tape leaves open: each measured length off by "
            f"{1000 * tolerance_m:g} mm on its own, the changes of the path's length (2 cos of the "
            "angle of incidence for a plane, the turn of the leg for an end) added as squares."
        )
    blocked = [
        source.name
        for s, source in enumerate(result.scene.sources)
        if not any(p.order == 0 and p.source == s for p in here)
    ]
    if blocked:
        notes.append(
            f"The straight line from {', '.join(blocked)} to "
            f"{result.scene.receivers[receiver].name} is blocked; times and levels are re the "
            "direct sound as it would be without the obstacle."
        )
    curved = elevations.curved_surfaces(result.scene, [one.numbered for one in listed])
    if curved:
        notes.append(f"Curved, so not unfolded below: {', '.join(curved)}.")
    return notes
