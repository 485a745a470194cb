"""The safety page: for the owner, the insurer and the inspector, who read nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from raysim.report.comparing import anchor
from raysim.report.templates import render, text_file
from raysim.results.data import Result
from raysim.scene.cautions import cautions
from raysim.scene.collisions import place_of_zone
from raysim.scene.data import KeepClear, Scene, Treatment, Variant
from raysim.scene.shopping import is_overhead, shopping, size_of
from raysim.scene.solids import reach_into, solid

Array = NDArray[np.float64]

FILE = "safety.html"
MM = 1000.0
MOST_ROWS = 10
UNKNOWN = "not known"
HEARING = (
    "hearing",
    "the tones of this report, and any sweep: begin low, a level at which you can talk is enough, "
    "nobody near the loudspeaker, and stop when it rattles",
)
ASKED = {
    "fire": "Reaction-to-fire class of each product as mounted, seen in writing",
    "overhead": "Structure, fixings and second retention overhead checked by a competent person",
    "drilling": "Owner's written consent; cables, pipes and old linings looked for",
    "ways out": "Ways out, detectors, sprinklers and emergency lights walked along and free",
    "air": "Vents, grilles and heaters free",
    "tipping": "What stands is strapped or stands wide",
}
"""What somebody signs for, by the head of the caution that calls for it."""


@dataclass(frozen=True)
class Safety:
    """The section of the report, and the same as a page of its own."""

    html: Markup
    files: dict[str, bytes]


def safety(result: Result) -> Safety | None:
    """None where nothing is put up."""
    scene = result.scene
    shown = [_variant(result, variant) for variant in _most_inclusive(scene, result.variants)]
    if not shown:
        return None
    html = render("safety", variants=shown, title=scene.title, computed=result.created[:10])
    page = render("safety_page", css=text_file("page.css"), title=scene.title, body=html)
    return Safety(html, {FILE: page.encode("utf-8")})


def _most_inclusive(scene: Scene, computed: Sequence[str]) -> list[Variant]:
    """Variants with treatments, but those that another one holds whole, as its first phase."""
    own = [v for v in scene.variants if v.name in computed and v.treatments]
    sets = [frozenset(v.treatments) for v in own]
    return [
        variant
        for n, variant in enumerate(own)
        if not any(sets[n] < other for other in sets) and sets[n] not in sets[:n]
    ]


def _variant(result: Result, variant: Variant) -> dict[str, object]:
    scene = result.scene
    [total] = shopping(scene, [variant.name])
    said = [tuple(text.split(": ", 1)) for text in cautions(scene, [variant.name])[:-1]]
    hazards: dict[str, list[str]] = {}
    for head, text in [*said, *([HEARING] if result.bass is not None else [])]:
        hazards.setdefault(head, []).append(text)
    pieces = [scene.treatments[k] for k in variant.treatments]
    phases = sorted({piece.phase for piece in pieces})
    return {
        "name": variant.name,
        "anchor": anchor(variant.name),
        "rows": _rows(scene, pieces)[:MOST_ROWS],
        "more": max(0, len(_rows(scene, pieces)) - MOST_ROWS),
        "weight": f"{total.weight_kg:.1f} kg"
        + (f" and {total.unweighed} pieces of weight not known" if total.unweighed else ""),
        "phases": len(phases),
        "hazards": [(head.capitalize(), texts) for head, texts in hazards.items()],
        "zones": [_zone(scene, zone, pieces) for zone in scene.keep_clear],
        "asked": [text for head, text in ASKED.items() if head in hazards],
    }


def _rows(scene: Scene, pieces: Sequence[Treatment]) -> list[dict[str, str]]:
    """What is alike in make, size and fixing together, the heaviest first."""
    alike: dict[tuple[object, ...], list[Treatment]] = {}
    for piece in pieces:
        size = tuple(sorted(round(MM * side) for side in size_of(piece)))
        overhead = is_overhead(scene, piece)
        key = (piece.kind, piece.material, piece.fixing, piece.phase, size, overhead)
        alike.setdefault(key, []).append(piece)
    rows = sorted(alike.values(), key=lambda own: -sum(one.weight_kg or 0.0 for one in own))
    return [_row(scene, own) for own in rows]


def _row(scene: Scene, own: Sequence[Treatment]) -> dict[str, str]:
    piece = own[0]
    lowest = min(float(one.corners[:, 2].min()) for one in own) - scene.floor_m
    weights = [one.weight_kg for one in own]
    known = [weight for weight in weights if weight is not None]
    places = dict.fromkeys(_on(scene, one) for one in own)
    return {
        "name": piece.kind,
        "size": " × ".join(f"{MM * side:.0f}" for side in size_of(piece)),
        "pieces": str(len(own)),
        "made_of": _made_of(scene, piece),
        "where": ", ".join(places),
        "fixing": piece.fixing,
        "lowest": f"{MM * lowest:.0f}",
        "each": UNKNOWN if piece.weight_kg is None else f"{piece.weight_kg:.1f}",
        "weight": UNKNOWN if len(known) < len(weights) else f"{sum(known):.1f}",
        "phase": str(piece.phase),
    }


def _made_of(scene: Scene, piece: Treatment) -> str:
    material = scene.materials[piece.material]
    texts = material.construction.texts if material.construction is not None else ()
    return ", ".join(texts) or material.name


def _on(scene: Scene, piece: Treatment) -> str:
    if is_overhead(scene, piece):
        return "overhead"
    if piece.is_object:
        return "on the floor" if piece.fixing == "standing" else "free of the walls"
    return scene.surfaces[scene.facets[piece.facet].surface].name


def _zone(scene: Scene, zone: KeepClear, pieces: Sequence[Treatment]) -> dict[str, str]:
    """A keep-clear zone and how far the nearest piece stays from it, at least."""
    place = place_of_zone(scene, zone, ())
    bodies = [place.front] if place.swing is None else [place.front, place.swing]
    apart = {
        piece.name: min(-reach_into(solid(piece.corners), body) for body in bodies)
        for piece in pieces
    }
    nearest = min(apart, key=lambda name: apart[name])
    gap_m = max(0.0, apart[nearest])
    return {
        "name": zone.name,
        "reason": zone.reason + (f", hangs {zone.swing}" if zone.swing else ""),
        "on": zone.on,
        "size": " × ".join(f"{MM * side:.0f}" for side in zone.size),
        "exception": "none" if zone.hard else "by name only",
        "nearest": f"{nearest}, {MM * gap_m:.0f} mm or more"
        if apart[nearest] >= -1e-6
        else f"{nearest} lies over it, by name",
    }
