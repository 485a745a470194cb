"""What the variants of a scene hold: pieces, areas, weights and money."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raysim.scene.data import Scene, Treatment, Variant
from raysim.units import counted

OVERHEAD = 0.5


@dataclass(frozen=True)
class Item:
    """All pieces of one section in a variant.

    Attributes
    ----------
    pieces : tuple of Treatment
    size_m : tuple of float
        Width and height of a piece that covers a facet; extents along x, y, z of an object.
    area_m2 : float
        Covered, all pieces; 0 for objects.
    weight_kg, cost : float or None
        All pieces; None where not known. What is owned costs nothing.
    """

    section: str
    pieces: tuple[Treatment, ...]
    size_m: tuple[float, ...]
    area_m2: float
    weight_kg: float | None
    cost: float | None
    material: str


@dataclass(frozen=True)
class Sum:
    """A variant's items and what they come to; what isn't known is counted, not guessed."""

    variant: str
    note: str
    items: tuple[Item, ...]
    pieces: int
    area_m2: float
    weight_kg: float
    unweighed: int
    cost: float
    unpriced: int


def shopping(scene: Scene, names: Sequence[str] | None = None) -> tuple[Sum, ...]:
    """Items and sums of the named variants, or of all."""
    return tuple(
        _sum(scene, variant) for variant in scene.variants if names is None or variant.name in names
    )


def is_overhead(scene: Scene, treatment: Treatment) -> bool:
    """Whether a piece hangs over people: under a ceiling, or not on the floor."""
    if treatment.is_object:
        return treatment.fixing == "hung" or treatment.kind in ("cloud", "edge trap")
    return bool(scene.facets[treatment.facet].normal[2] < -OVERHEAD)


def size_of(treatment: Treatment) -> tuple[float, ...]:
    """Width and height on a facet, or extents along x, y, z of an object, m."""
    if treatment.is_object:
        return tuple(float(extent) for extent in np.ptp(treatment.corners, axis=0))
    u0, v0, u1, v1 = treatment.rect
    return u1 - u0, v1 - v0


def sentences(scene: Scene) -> list[str]:
    """Everything of `shopping` in words, one sentence a variant and one a piece."""
    said = []
    for total in shopping(scene):
        said.append(f"variant '{total.variant}': {_totals(total)}")
        for item in total.items:
            said.extend(_pieces(item))
    return said


def _sum(scene: Scene, variant: Variant) -> Sum:
    own = [scene.treatments[k] for k in variant.treatments]
    by_section: dict[str, list[Treatment]] = {}
    for treatment in own:
        by_section.setdefault(treatment.section, []).append(treatment)
    weights = [t.weight_kg for t in own]
    costs = [0.0 if t.owned else t.cost for t in own]
    return Sum(
        variant=variant.name,
        note=variant.note,
        items=tuple(_item(scene, name, pieces) for name, pieces in by_section.items()),
        pieces=len(own),
        area_m2=sum(t.area_m2 for t in own),
        weight_kg=sum(w for w in weights if w is not None),
        unweighed=weights.count(None),
        cost=sum(c for c in costs if c is not None),
        unpriced=costs.count(None),
    )


def _item(scene: Scene, section: str, pieces: Sequence[Treatment]) -> Item:
    weights = [t.weight_kg for t in pieces]
    costs = [0.0 if t.owned else t.cost for t in pieces]
    return Item(
        section=section,
        pieces=tuple(pieces),
        size_m=size_of(pieces[0]),
        area_m2=sum(t.area_m2 for t in pieces),
        weight_kg=None if None in weights else sum(w or 0.0 for w in weights),
        cost=None if None in costs else sum(c or 0.0 for c in costs),
        material=scene.materials[pieces[0].material].name,
    )


def _totals(total: Sum) -> str:
    if not total.pieces:
        return total.note
    parts = [f"{total.note}; {counted(total.pieces, 'piece')}"]
    if total.area_m2:
        parts.append(f"{total.area_m2:.2f} m2 covered")
    parts.append(_known(f"{total.weight_kg:.1f} kg", total.unweighed, total.pieces, "weight"))
    parts.append(_known(f"{total.cost:g} to spend", total.unpriced, total.pieces, "cost"))
    return ", ".join(parts)


def _known(text: str, unknown: int, count: int, what: str) -> str:
    if unknown == count:
        return f"{what} not known"
    return f"{text} and {what} of {unknown} not known" if unknown else text


def _pieces(item: Item) -> list[str]:
    material = f"'{item.material}'"
    first, last = item.pieces[0], item.pieces[-1]
    if first.kind == "tiles" and first is not last:
        return [
            f"{item.section}: {len(item.pieces)} {_about(first, 'each ')}, {material}; first "
            f"{first.where}, last {last.where}"
        ]
    return [f"{one.name}: {_about(one)}, {material}; {one.where}" for one in item.pieces]


def _about(piece: Treatment, each: str = "") -> str:
    parts = [f"{piece.kind} {' x '.join(f'{length:.2f}' for length in size_of(piece))} m"]
    if not piece.is_object:
        parts.append(f"{1000 * piece.thickness_m:.0f} mm thick")
    if piece.gap_m:
        parts.append(f"{1000 * piece.gap_m:.0f} mm of air behind")
    parts.append(piece.fixing)
    kilograms = piece.weight_kg
    parts.append("weight not known" if kilograms is None else f"{each}{kilograms:.1f} kg")
    if piece.owned:
        parts.append("owned")
    else:
        parts.append("cost not given" if piece.cost is None else f"{each}{piece.cost:g} to spend")
    return ", ".join([*parts, *([f"phase {piece.phase}"] if piece.phase > 1 else [])])
