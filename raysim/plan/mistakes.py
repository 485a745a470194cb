"""Warnings for common mistakes, each tied to the input that shows it and said once."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from raysim.plan.catalogue import Catalogue, Item
from raysim.plan.places import Site
from raysim.scene.data import Scene
from raysim.scene.placing import ways
from raysim.scene.workshop import Workshop
from raysim.surfaces.layers import Mass, Porous
from raysim.theory.nulls import QUIET, first_axial_pressure

THIN_M = 0.055
SMALL_TRAP_M = 0.2
DENSE_PA_S_M2 = 20000.0
DEEP_M = 0.2
NEAR_WALL_M = 0.3
BOX, ALIKE = 0.9, 0.03
HALF = 0.04
PERCENT_RULE = (0.375, 0.385)
NOTCH_FROM_M, NOTCH_TO_M = 0.2, 1.0


@dataclass(frozen=True)
class Warned:
    """A warning: the name that dismisses it, and what it says."""

    name: str
    sentence: str


Rule = Callable[[Workshop, Catalogue, Sequence[Site]], Iterator[str]]


def mistakes(
    workshop: Workshop, catalogue: Catalogue, chosen: Sequence[Site]
) -> tuple[Warned, ...]:
    """Warnings that the room, the catalogue or the chosen sites call for, but those dismissed."""
    found = []
    for name, rule in RULES.items():
        if name not in catalogue.dismissed:
            found += [Warned(name, said) for said in list(rule(workshop, catalogue, chosen))[:1]]
    return tuple(found)


def _insulation(workshop: Workshop, _: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    title = workshop.scene.title
    if re.search(r"sound.?proof|neighbo|insulat", title, re.IGNORECASE):
        yield (
            f"the title speaks of '{title}': absorbers change the sound in the room, not what "
            "leaves it"
        )


def _half_length(workshop: Workshop, _: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    for name, share, length in _along(workshop.scene):
        if abs(share - 0.5) < HALF:
            speed = workshop.scene.climate.speed_of_sound
            yield (
                f"'{name}' sits at {share:.2f} of the length, on the null of the first mode along "
                f"it, about {speed / 2 / length:.0f} Hz: move it before buying"
            )


def _percent_rule(workshop: Workshop, _: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    for name, share, _length in _along(workshop.scene):
        if PERCENT_RULE[0] <= share <= PERCENT_RULE[1]:
            yield (
                f"'{name}' sits at {share:.2f} of the length: a starting point for a bare "
                "rectangle, not an answer; compare places before buying"
            )


def _rear_wall(workshop: Workshop, _: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    for name, share, length in _along(workshop.scene):
        if (1 - share) * length < NEAR_WALL_M:
            yield (
                f"'{name}' is {(1 - share) * length:.2f} m from the rear wall, where all modes "
                "along the room are loudest: move it forward before buying"
            )


def _half_height(workshop: Workshop, _: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    scene = workshop.scene
    height = float(np.ptp(scene.mesh.vertices[:, 2]))
    for receiver in scene.receivers:
        share = float(receiver.position[2] - scene.floor_m) / height
        if first_axial_pressure(share) < QUIET:
            mode = scene.climate.speed_of_sound / 2 / height
            yield (
                f"the ears of '{receiver.name}' are at {share:.2f} of the height: the "
                f"first upright mode, about {mode:.0f} Hz, is hardly heard here; it appears where "
                "they move"
            )


def _equal_sides(workshop: Workshop, _: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    """In a box: two or three sides alike, so that their modes fall together."""
    scene = workshop.scene
    sides = np.sort(np.ptp(scene.mesh.vertices, axis=0))
    if scene.volume < BOX * sides.prod():
        return
    alike = [b for a, b in pairwise(sides) if b / a < 1 + ALIKE]
    if alike:
        mode = scene.climate.speed_of_sound / 2 / alike[0]
        times = "three times" if len(alike) == 2 else "twice"
        yield (
            f"{' x '.join(f'{side:.2f}' for side in sides[::-1])} m: the lowest mode of the equal "
            f"sides, about {mode:.0f} Hz, is there {times}; panels don't part them, deep traps "
            "only soften them, another room would"
        )


def _front_notch(workshop: Workshop, _: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    scene = workshop.scene
    front = ways(scene)["front"]
    ends = scene.mesh.vertices @ front
    for source in scene.sources:
        distance = float(ends.max() - source.position @ front)
        if NOTCH_FROM_M < distance < NOTCH_TO_M:
            notch = scene.climate.speed_of_sound / 4 / distance
            yield (
                f"'{source.name}' is {distance:.2f} m from the front wall: that wall cancels about "
                f"{notch:.0f} Hz straight ahead, and no panel of usual depth fills it"
            )


def _one_loudspeaker(workshop: Workshop, _: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    if len(workshop.scene.sources) == 1:
        yield "there is one source: reflections of the other side of a pair aren't looked for"


def _thin(_: Workshop, __: Catalogue, chosen: Sequence[Site]) -> Iterator[str]:
    covers = [p.treatment for s in chosen for p in s.pieces if not p.treatment.is_object]
    if chosen and len(covers) == sum(len(s.pieces) for s in chosen):
        thickest = max(t.thickness_m + t.gap_m for t in covers)
        if thickest <= THIN_M:
            yield (
                f"nothing chosen is deeper than {1000 * thickest:.0f} mm: it takes the highs and "
                "leaves the lows, see the balance below"
            )


def _small_trap(_: Workshop, catalogue: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    for item in catalogue.items:
        if item.kind == "corner trap" and max(item.size) < SMALL_TRAP_M:
            yield (
                f"'{item.name}' is {100 * max(item.size):.0f} cm deep: a corner of that size does "
                "next to nothing for the bass"
            )


def _dense(workshop: Workshop, catalogue: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    for item in catalogue.items:
        for layer in _layers_of(workshop, item):
            deep = isinstance(layer, Porous) and layer.thickness >= DEEP_M
            if isinstance(layer, Porous) and deep and layer.resistivity >= DENSE_PA_S_M2:
                yield (
                    f"'{item.name}' is deep and dense: at {1000 * layer.thickness:.0f} mm "
                    "lighter wool absorbs more bass, not less"
                )


def _sealed(workshop: Workshop, catalogue: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    for item in catalogue.items:
        layers = _layers_of(workshop, item)
        if layers and isinstance(layers[0], Mass) and any(isinstance(x, Porous) for x in layers):
            yield (
                f"'{item.name}' has a closed face over its wool: highs are sent back; sometimes "
                "that is wanted, see its bands with 'raysim materials layers'"
            )


def _no_gap(_: Workshop, catalogue: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    for item in catalogue.items:
        if item.kind == "panel" and not item.keys.get("gap") and item.fixing != "glued":
            yield (
                f"'{item.name}' has no air behind: the same panel with a gap of its own depth "
                "absorbs lower; compare with 'raysim materials layers'"
            )


def _odd_stuff(_: Workshop, catalogue: Catalogue, __: Sequence[Site]) -> Iterator[str]:
    for item in catalogue.items:
        text = " ".join([item.name, str(item.keys.get("material", "")),
                         *item.keys.get("layers", ())])  # fmt: skip
        if re.search(r"egg.?(box|crate|carton)|packing|mattress|bedding", text, re.IGNORECASE):
            yield (
                f"'{item.name}': nobody has data of it as an absorber, and it may burn fast: never "
                "hang it"
            )


def _asymmetry(workshop: Workshop, _: Catalogue, chosen: Sequence[Site]) -> Iterator[str]:
    scene = workshop.scene
    right = ways(scene)["right"]
    seat = scene.receivers[0].position
    for site in chosen:
        if len(site.sections) != 1 or any(p.treatment.is_object for p in site.pieces):
            continue
        middle = np.mean([p.treatment.corners.mean(axis=0) for p in site.pieces], axis=0)
        if abs((middle - seat) @ right) > 0.1:
            yield (
                f"{site.where[0]}: nothing like it can hang at the other side, so left and right "
                "will differ; see 'left and right' in the comparison"
            )


def _along(scene: Scene) -> Iterator[tuple[str, float, float]]:
    """Each receiver, its share of the room's length from the front, and the length."""
    front = ways(scene)["front"]
    ends = scene.mesh.vertices @ front
    length = float(np.ptp(ends))
    for receiver in scene.receivers:
        yield receiver.name, float(ends.max() - receiver.position @ front) / length, length


def _layers_of(workshop: Workshop, item: Item) -> Sequence[object]:
    construction = workshop.construction(item.keys)
    return () if construction is None else construction.layers


RULES: dict[str, Rule] = {
    "insulation": _insulation,
    "half length": _half_length,
    "percent rule": _percent_rule,
    "rear wall": _rear_wall,
    "half height": _half_height,
    "equal sides": _equal_sides,
    "front notch": _front_notch,
    "one loudspeaker": _one_loudspeaker,
    "thin": _thin,
    "small trap": _small_trap,
    "dense": _dense,
    "sealed": _sealed,
    "no gap": _no_gap,
    "odd stuff": _odd_stuff,
    "asymmetry": _asymmetry,
}
SEAT_FIRST = ("half length", "rear wall")
"""Warnings that call for moving the seat before anything is bought."""
