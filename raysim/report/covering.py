"""The section 'What covers the early reflections': what is covered, what remains; JSON too."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raysim import digits
from raysim.quantities.coverage import Coverage, Need, find_coverage
from raysim.quantities.reflections import place_on
from raysim.report.listed import facet_name, in_words
from raysim.results.data import Result
from raysim.scene.data import Scene
from raysim.theory.criteria import REFLECTION_LEVEL_DB

MOST_ROWS = 16
Place = tuple[int, int, tuple[int, ...]]


@dataclass(frozen=True)
class Covering:
    """What the page shows: heads are the variants compared; a row a need."""

    heads: list[str]
    rows: list[dict[str, object]]
    notes: list[str]
    files: dict[str, bytes]


def covering(result: Result) -> Covering | None:
    """The section, or None where no surface sends an early reflection to a receiver."""
    found = find_coverage(result)
    if not found:
        return None
    variants = list(dict.fromkeys(one.variant for one in found))
    of_need: dict[Place, dict[int, Coverage]] = {}
    for one in found:
        of_need.setdefault(_key(one.need), {})[one.variant] = one
    # Worst uncovered first: by what even the best variant leaves, then by what there is now.
    ranked = sorted(
        of_need.values(),
        key=lambda each: (
            -min(one.remaining_db for one in each.values()),
            -next(iter(each.values())).need.level_db,
        ),
    )
    scene = result.scene_in(0)
    return Covering(
        heads=[result.variants[variant] for variant in variants],
        rows=[_row(scene, each, variants) for each in ranked[:MOST_ROWS]],
        notes=_notes(result, scene, [next(iter(each.values())).need for each in ranked], variants),
        files={"coverage.json": coverage_json(result, found).encode("utf-8")},
    )


def coverage_json(result: Result, found: Sequence[Coverage]) -> str:
    """All of it, worst first in each variant. Levels that are nothing at all are null."""
    scene = result.scene_in(0)
    return json.dumps(
        [
            {
                "variant": result.variants[one.variant],
                "receiver": scene.receivers[one.need.receiver].name,
                "sources": [scene.sources[source].name for source in one.need.sources],
                "surface": _surface(scene, one.need),
                "facet": scene.facets[one.need.facet].name,
                "rectangle_m": dict(
                    zip(
                        ("low_u", "low_v", "high_u", "high_v"),
                        (round(x, 4) for x in one.need.rect),
                        strict=True,
                    )
                ),
                "where": _where(scene, one.need),
                "delay_ms": round(1e3 * one.need.delay_s, 4),
                "level_db": _finite(one.need.level_db),
                "treatments": list(one.treatments),
                "share_covered": round(one.share, 4),
                "remaining_db": _finite(one.remaining_db),
            }
            for one in found
        ],
        indent=1,
        ensure_ascii=False,
    )


def _key(need: Need) -> Place:
    return need.receiver, need.facet, need.sources


def _finite(level_db: float) -> float | None:
    return round(level_db, 3) if np.isfinite(level_db) else None


def _surface(scene: Scene, need: Need) -> str:
    return scene.surfaces[scene.facets[need.facet].surface].name


def _where(scene: Scene, need: Need) -> str:
    """Width and height of the rectangle, and where its middle is, for someone with a tape."""
    facet = scene.facets[need.facet]
    low, high = np.array(need.rect[:2]), np.array(need.rect[2:])
    middle = (low + high) / 2
    point = facet.origin + middle[0] * facet.u + middle[1] * facet.v
    size = " × ".join(digits.tidy(100 * float(x), 0) for x in high - low)
    place = in_words(scene, need.facet, place_on(scene, facet, point), point)
    return f"{size} cm, its middle {place}"


def _row(scene: Scene, each: dict[int, Coverage], variants: Sequence[int]) -> dict[str, object]:
    need = next(iter(each.values())).need
    names = [scene.sources[source].name for source in need.sources]
    cells = []
    for variant in variants:
        one = each[variant]
        remains = digits.tidy(one.remaining_db, 1) if np.isfinite(one.remaining_db) else "none"
        percent = f"{100 * one.share:.0f} %"
        by = ", ".join(one.treatments)
        cells.append(
            {
                "remains": remains,
                "share": f"{percent} by {by}" if by else "bare",
                "mark": "above" if one.remaining_db > REFLECTION_LEVEL_DB else "below",
            }
        )
    return {
        "receiver": scene.receivers[need.receiver].name,
        "source": names[0] if len(names) == 1 else f"{', '.join(names)} together",
        "surface": facet_name(scene, need.facet),
        "delay_ms": digits.tidy(1e3 * need.delay_s, 2),
        "where": _where(scene, need),
        "cells": cells,
    }


def _notes(
    result: Result, scene: Scene, needs: Sequence[Need], variants: Sequence[int]
) -> list[str]:
    notes = [
        "Cover the whole rectangle and no place in the head zone gets this reflection bare; where "
        "a part is left bare the level is that without the treatment, for somewhere in the zone it "
        "is so. A rectangle for several sources together spans theirs. Only surfaces that reach "
        "the middle of the zone are listed. What materials and tape leave open of levels and times "
        "stands in the table of early reflections."
    ]
    furniture = sorted(
        {
            facet_name(scene, need.facet)
            for need in needs
            if scene.surfaces[scene.facets[need.facet].surface].owner != "room"
        }
    )
    if furniture:
        notes.append(
            f"No panel on a wall cures a reflection off {', '.join(furniture)}: move, tilt or "
            "cover the thing itself."
        )
    if any(t.is_object for t in result.scene.treatments):
        notes.append(
            "What hangs or stands free covers what lies in its shadow, seen from the source or the "
            "seat; sound that bends round its edges isn't counted."
        )
    if len(variants) < len(result.variants):
        notes.append("Variants that move sources or receivers have other reflections: left out.")
    if len(needs) > MOST_ROWS:
        notes.append(f"Listed are {MOST_ROWS} of {len(needs)}; all are in coverage.json.")
    else:
        notes.append("coverage.json has the same with corners in the frame of each facet.")
    return notes
