"""Variants that build on each other: what is bought first, and what is added later."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from raysim.scene.data import Scene, Treatment, Variant
from raysim.units import counted


def phase_sentences(scene: Scene, variants: Sequence[Variant]) -> list[str]:
    """One sentence a step, where each variant holds all of the one before and a later phase."""
    steps = [
        (one, other)
        for one, other in pairwise(variants)
        if set(one.treatments) < set(other.treatments) and _last(scene, one) < _last(scene, other)
    ]
    if not steps:
        return []
    first = steps[0][0]
    lines = [f"First “{first.name}”: {_counted_out(_pieces(scene, first.treatments))}."]
    for one, other in steps:
        added = [k for k in other.treatments if k not in one.treatments]
        lines.append(
            f"Then “{other.name}”: everything of “{one.name}” stays where it hangs, with "
            f"{_counted_out(_pieces(scene, added))} added."
        )
    return lines


def _pieces(scene: Scene, numbers: Sequence[int]) -> list[Treatment]:
    return [scene.treatments[k] for k in numbers]


def _last(scene: Scene, variant: Variant) -> int:
    return max((piece.phase for piece in _pieces(scene, variant.treatments)), default=0)


def _counted_out(pieces: Sequence[Treatment]) -> str:
    prices = [0.0 if piece.owned else piece.cost for piece in pieces]
    known = sum(price for price in prices if price is not None)
    unknown = prices.count(None)
    more = f" and {counted(unknown, 'price')} not known" if unknown else ""
    return f"{counted(len(pieces), 'piece')} for {known:g}{more}"
