"""The section a carpenter builds from: elevations, pieces, shopping, checks."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from raysim import digits
from raysim.quantities.slips import SLIP_M, Slip, find_slips
from raysim.report import cut_sheets
from raysim.report.comparing import anchor
from raysim.report.phases import phase_sentences
from raysim.report.pictures import Picture
from raysim.report.templates import render
from raysim.report.walls import EQUAL_M, Hanging, Twin, Wall, twins_of, walls_of
from raysim.results.data import Result
from raysim.scene.data import Scene, Treatment, Variant
from raysim.scene.shopping import Item, Sum, shopping, size_of
from raysim.units import counted

MM = 1000.0
PX_PER_MM = 96 / 25.4
WIDEST_PX = 980
SHOPPING_HEADS = (
    "item", "kind", "material", "size_mm", "thickness_mm", "gap_mm", "fixing", "phase", "pieces",
    "owned", "weight_kg", "unit_cost", "cost",
)  # fmt: skip
UNKNOWN = "not known"


@dataclass(frozen=True)
class HangingSection:
    """What the page shows, and drawings and lists by name of file."""

    html: Markup
    files: dict[str, bytes]


def hanging_section(result: Result) -> HangingSection | None:
    """The section, or None where no variant of the result has treatments."""
    scene = result.scene
    chosen = [v for v in scene.variants if v.name in result.variants and v.treatments]
    if not chosen:
        return None
    files: dict[str, bytes] = {}
    shown = [_variant(result, variant, files) for variant in chosen]
    html = render(
        "hanging",
        variants=shown,
        phases=phase_sentences(scene, chosen),
        slip_cm=f"{100 * SLIP_M:g}",
        equal_mm=f"{MM * EQUAL_M:g}",
    )
    return HangingSection(html, files)


def _variant(result: Result, variant: Variant, files: dict[str, bytes]) -> dict[str, object]:
    scene, label = result.scene, anchor(variant.name)
    walls = walls_of(scene, variant)
    slips = {one.treatment: one for one in find_slips(result, variant)}
    critical = [name for name, slip in slips.items() if slip.is_critical]
    pictures = []
    for wall in walls:
        drawn = cut_sheets.svg(wall, critical)
        files[f"wall_{label}_{anchor(wall.name)}.svg"] = drawn
        pictures.append(_picture(wall, drawn))
    if walls:
        files[f"walls_{label}.dxf"] = cut_sheets.dxf(walls, f"{scene.title}: {variant.name}")
    [total] = shopping(scene, [variant.name])
    rows = shopping_rows(total)
    files[f"shopping_{label}.csv"] = shopping_csv(rows).encode("utf-8")
    pieces = [scene.treatments[k] for k in variant.treatments]
    return {
        "name": variant.name,
        "pictures": pictures,
        "pieces": [
            _piece(scene, wall, hanging, slips.get(hanging.treatment.name))
            for wall in walls
            for hanging in wall.hangings
        ],
        "objects": [_object(piece) for piece in pieces if piece.is_object],
        "twins": _twins(scene, variant, twins_of(scene, variant)),
        "shopping": rows,
        "has_phases": len({piece.phase for piece in pieces}) > 1,
        "checks": checks(walls),
        "csv": f"shopping_{label}.csv",
        "dxf": f"walls_{label}.dxf" if walls else "",
    }


def _picture(wall: Wall, drawn: bytes) -> Picture:
    margin = 2 * cut_sheets.MARGIN_MM
    size = [(MM * side + margin) * cut_sheets.PRINTED * PX_PER_MM for side in wall.size]
    shrink = min(1.0, WIDEST_PX / size[0])
    numbers = ", ".join(str(h.number) for h in wall.hangings)
    return Picture(
        drawn,
        f"The {wall.name} seen from inside with pieces {numbers}",
        f"“{wall.name}” from inside, millimetres"
        + (f", 1:{1 / cut_sheets.PRINTED:g}" if shrink == 1 else ""),
        round(size[0] * shrink),
        round(size[1] * shrink),
    )


def _piece(scene: Scene, wall: Wall, hanging: Hanging, slip: Slip | None) -> dict[str, str]:
    piece, rect = hanging.treatment, hanging.rect
    distance, side = wall.from_corner(hanging)
    return {
        "number": str(hanging.number),
        "name": piece.name,
        "wall": wall.name,
        "corner": f"{MM * distance:.0f}",
        "side": f"the {side} one",
        "floor": f"{MM * rect[1]:.0f}" if wall.is_upright else f"{MM * rect[1]:.0f} (along)",
        "size": f"{MM * (rect[2] - rect[0]):.0f} × {MM * (rect[3] - rect[1]):.0f}",
        "depth": f"{MM * piece.thickness_m:.0f}",
        "gap": f"{MM * piece.gap_m:.0f}",
        "fixing": piece.fixing,
        "weight": UNKNOWN if piece.weight_kg is None else f"{piece.weight_kg:.1f}",
        "slip": _slip(scene, slip),
        "mark": "above" if slip is not None and slip.is_critical else "later",
    }


def _slip(scene: Scene, slip: Slip | None) -> str:
    if slip is None or slip.need is None:
        return "forgiving"
    source = scene.sources[slip.need.sources[0]].name
    share = f"{100 * slip.bared:.0f} %"
    word = "critical" if slip.is_critical else "forgiving"
    level = digits.tidy(slip.need.level_db, 1)
    return f"{word}: {share} of {source} bare, {level} dB"


def _object(piece: Treatment) -> dict[str, str]:
    size = " × ".join(f"{MM * x:.0f}" for x in size_of(piece))
    weight = UNKNOWN if piece.weight_kg is None else f"{piece.weight_kg:.1f}"
    return {
        "name": piece.name,
        "kind": piece.kind,
        "size": size,
        "where": piece.where,
        "fixing": piece.fixing,
        "weight": weight,
    }


def _twins(scene: Scene, variant: Variant, twins: Sequence[Twin]) -> list[str]:
    """Which pairs are equal, which are off, and what has nothing opposite."""
    said = []
    equal = [twin for twin in twins if twin.is_equal]
    if equal:
        said.append(f"{counted(len(equal), 'pair')} left and right, equal to {MM * EQUAL_M:g} mm.")
    for twin in twins:
        if not twin.is_equal:
            said.append(
                f"▲ {twin.one} and {twin.other} are {MM * twin.apart_m:.0f} mm off each other's "
                "mirror image: make them equal, or the image leans to one side."
            )
    paired = {name for twin in twins for name in (twin.one, twin.other)}
    seat = scene.receivers[0]
    across = scene.right_of(seat.facing)
    alone = [
        piece.name
        for piece in (scene.treatments[k] for k in variant.treatments)
        if piece.name not in paired
        and abs(float((piece.corners.mean(axis=0) - seat.position) @ across)) > 0.3
    ]
    if alone:
        listed = ", ".join(alone[:6]) + (f" and {len(alone) - 6} more" if len(alone) > 6 else "")
        said.append(f"Nothing of the kind hangs opposite: {listed}.")
    return said


def shopping_rows(total: Sum) -> list[list[str]]:
    """A row for all items that are bought alike, and a last one with the sums.

    The page and the file have the same.
    """
    alike: dict[tuple[object, ...], list[Item]] = {}
    for item in total.items:
        alike.setdefault(_as_bought(item), []).append(item)
    rows = [_shopping_row(items) for items in alike.values()]
    weight = _partly(f"{total.weight_kg:.1f}", total.unweighed)
    cost = _partly(f"{total.cost:.2f}", total.unpriced)
    last = ["total", *[""] * 7, str(total.pieces), "", weight, "", cost]
    return [*rows, last]


def _partly(known: str, unknown: int) -> str:
    return f"{known} + {unknown} not known" if unknown else known


def _as_bought(item: Item) -> tuple[object, ...]:
    piece = item.pieces[0]
    weight_kg = None if piece.weight_kg is None else round(piece.weight_kg, 3)
    lengths = [round(MM * x) for x in (*item.size_m, piece.thickness_m, piece.gap_m)]
    made = (piece.kind, item.material, *lengths, piece.fixing, weight_kg)
    return (*made, piece.phase, piece.owned, piece.cost)


def _shopping_row(items: Sequence[Item]) -> list[str]:
    item, more = items[0], len(items) - 1
    piece, pieces = item.pieces[0], sum(len(one.pieces) for one in items)
    weight_kg, cost = (_sum([getattr(one, key) for one in items]) for key in ("weight_kg", "cost"))
    unit = 0.0 if piece.owned else piece.cost
    return [
        item.section + (f" and {more} like it" if more else ""),
        piece.kind,
        item.material,
        " × ".join(f"{MM * x:.0f}" for x in item.size_m),
        f"{MM * piece.thickness_m:.0f}",
        f"{MM * piece.gap_m:.0f}",
        piece.fixing,
        str(piece.phase),
        str(pieces),
        "yes" if piece.owned else "no",
        UNKNOWN if weight_kg is None else f"{weight_kg:.1f}",
        UNKNOWN if unit is None else f"{unit:.2f}",
        UNKNOWN if cost is None else f"{cost:.2f}",
    ]


def _sum(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None


def shopping_csv(rows: Sequence[Sequence[str]]) -> str:
    """The rows as CSV with a head."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(SHOPPING_HEADS)
    writer.writerows(rows)
    return text.getvalue()


def checks(walls: Sequence[Wall]) -> list[str]:
    """What to check by hand after hanging: one piece on each wall, and the diagonals."""
    said = []
    for wall in walls:
        if not wall.is_upright or not wall.hangings:
            continue
        first = wall.hangings[0]
        distance, side = wall.from_corner(first)
        said.append(
            f"“{wall.name}”: no. {first.number} is {MM * distance:.0f} mm from the {side} corner "
            f"and {MM * first.rect[1]:.0f} mm above the floor (±10 mm)."
        )
    lengths = sorted({round(float(np.hypot(*_sides(h))) * MM) for w in walls for h in w.hangings})
    if lengths:
        listed = ", ".join(f"{length} mm" for length in lengths[:4])
        said.append(f"Both diagonals of a piece are alike when it hangs square: {listed}.")
    return said


def _sides(hanging: Hanging) -> tuple[float, float]:
    u0, v0, u1, v1 = hanging.rect
    return u1 - u0, v1 - v0
