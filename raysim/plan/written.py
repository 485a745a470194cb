"""A plan as a scene file: the room's text with the plan's treatments and variants behind it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from raysim.plan.conduct import Plan, Step
from raysim.scene.placing import ways
from raysim.scene.workshop import Workshop

HEADING = "# Plan: chosen by raysim plan; what follows may be changed by hand like the rest."
NAME = "plan"


@dataclass(frozen=True)
class Written:
    """Text of the scene file, and the names of its variants in the order of phases."""

    text: str
    variants: tuple[str, ...]
    names: tuple[tuple[str, ...], ...]


def written(workshop: Workshop, plan: Plan) -> Written:
    """The scene file of a plan.

    One variant holds all that is kept, 'plan'; with several phases there is one for the end of
    each, the last of which is 'plan'.
    """
    taken = set(workshop.taken)
    names = tuple(_names(workshop, step, k, taken) for k, step in enumerate(plan.kept, start=1))
    lines = [workshop.scene.text.rstrip(), "", HEADING, f"# Weights: {plan.bench.weighted}."]
    for step, own in zip(plan.kept, names, strict=True):
        for name, (_, keys) in zip(own, step.site.sections, strict=True):
            lines += ["", f"[treatments.{name}]"]
            lines += [f"{key} = {toml(value)}" for key, value in keys.items()]
            if step.phase > 1:
                lines.append(f"phase = {step.phase}")
    phases = sorted({step.phase for step in plan.kept})
    variants = []
    for phase in phases:
        is_last = phase == phases[-1]
        name = _free(NAME if is_last else f"phase_{phase}", taken)
        variants.append(name)
        held = [
            one
            for step, own in zip(plan.kept, names, strict=True)
            if step.phase <= phase
            for one in own
        ]
        lines += ["", f"[variants.{name}]", f"treatments = {toml(held)}"]
    return Written("\n".join(lines) + "\n", tuple(variants), names)


def toml(value: Any) -> str:
    """A value as TOML writes it: text, number, yes or no, list."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(round(value, 4))
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml(v)}" for key, v in value.items()) + " }"
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml(one) for one in value) + "]"
    raise TypeError(f"{type(value).__name__} has no place in a scene file")


def _names(workshop: Workshop, step: Step, number: int, taken: set[str]) -> tuple[str, ...]:
    site = step.site
    base = f"{number}_{site.item.name}"
    if len(site.sections) == 1:
        return (_free(base, taken),)
    right = ways(workshop.scene)["right"]
    seat = workshop.scene.receivers[0].position
    per_section = len(site.pieces) // len(site.sections)
    sides = []
    for k in range(len(site.sections)):
        corners = site.pieces[k * per_section].treatment.corners
        off = float((np.mean(corners, axis=0) - seat) @ right)
        sides.append("right" if off > 0 else "left")
    return tuple(_free(f"{base}_{side}", taken) for side in sides)


def _free(name: str, taken: set[str]) -> str:
    number, found = 1, name
    while found in taken:
        number += 1
        found = f"{name}_{number}"
    taken.add(found)
    return found
