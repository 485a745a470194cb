"""What treatments may not do: overlap, reach into things, or take what must stay clear."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from raysim.scene.data import KeepClear, Receiver, Scene, Source, Treatment
from raysim.scene.faces import Face
from raysim.scene.inside import AIR, OUTSIDE, locate
from raysim.scene.placing import Sheet, find_sheet
from raysim.scene.solids import (
    Solid,
    brick,
    distance_to,
    reach_into,
    reach_into_triangles,
    slab,
    solid,
    upright,
)

Array = NDArray[np.float64]

TOUCHING_M = 0.002
LEAST_DISTANCE_M = 0.02
ZONE_DEPTH_M = 0.01
SWING_STEPS = 12

# Words of a reason that make a keep-clear zone one that nothing may override.
HARD = re.compile(
    r"\b(doors?|exits?|escape|egress|(smoke|fire|gas) \w+|detectors?|alarms?|sprinklers?|vents?|"
    r"ventilation|grilles?|emergency|extinguishers?)\b",
    re.IGNORECASE,
)


class Reach:
    """The room and the bodies that treatments take in it.

    Parameters
    ----------
    faces : sequence of Face
        Of the bare tape-measured room, as in `find_sheet`.
    """

    def __init__(self, scene: Scene, faces: Sequence[Face]) -> None:
        self.scene, self.faces = scene, faces
        self._bodies: dict[str, Solid] = {}
        self._zones = [(zone, place_of_zone(scene, zone, faces)) for zone in scene.keep_clear]

    def body(self, treatment: Treatment) -> Solid:
        """What a treatment fills, with the gap behind it."""
        if treatment.name not in self._bodies:
            if treatment.is_object:
                made = solid(treatment.corners)
            else:
                depth = treatment.gap_m + treatment.thickness_m
                facet = self.scene.facets[treatment.facet]
                made = brick(slab(facet, treatment.rect, 0.0, depth))
            self._bodies[treatment.name] = made
        return self._bodies[treatment.name]

    def with_room(self, treatment: Treatment) -> list[str]:
        """Walls and things that a treatment reaches into, one sentence each."""
        scene, body = self.scene, self.body(treatment)
        middle = body.corners.mean(axis=0)
        (inside,) = locate(scene, middle[None])
        if inside != AIR:
            place = "beyond the room" if inside == "outside" else f"inside '{inside}'"
            return [f"its middle, {_point(middle)} m, lies {place}; move it"]
        depth = reach_into_triangles(body, scene.mesh.corners)
        if not treatment.is_object:
            depth[scene.mesh.facet == treatment.facet] = -np.inf
        deepest: dict[str, float] = {}
        for k in np.flatnonzero(depth > TOUCHING_M):
            name = scene.surfaces[scene.mesh.surface[k]].name
            deepest[name] = max(deepest.get(name, 0.0), float(depth[k]))
        return [
            f"it reaches {_mm(most)} into '{name}'; move it, or make it smaller or thinner"
            for name, most in deepest.items()
        ]

    def with_zones(self, treatment: Treatment, override: Sequence[str]) -> list[str]:
        """Keep-clear zones that a treatment reaches into and does not, or may not, override."""
        body = self.body(treatment)
        said = []
        for zone, place in self._zones:
            if zone.name in override and not zone.hard:
                continue
            cure = (
                "exits, detectors and vents stay clear: move it"
                if zone.hard
                else f'move it, or allow it with override = ["{zone.name}"]'
            )
            if reach_into(body, place.front) > TOUCHING_M:
                u, v = place.taken(body)
                what = f"it takes {u:.2f} x {v:.2f} m of the keep-clear zone"
            elif place.swing is not None and reach_into(body, place.swing) > TOUCHING_M:
                depth = _mm(reach_into(body, place.swing))
                what = f"it reaches {depth} into the swing of the keep-clear zone"
            else:
                continue
            said.append(f"{what} '{zone.name}' ({zone.reason}); {cure}")
        return said

    def with_people(
        self, treatment: Treatment, sources: Sequence[Source], receivers: Sequence[Receiver]
    ) -> list[str]:
        """Sources that a treatment comes too near, and zones of heads that it reaches into."""
        body = self.body(treatment)
        said = []
        for source in sources:
            distance = distance_to(body, source.position)
            if distance < LEAST_DISTANCE_M:
                how = f"{_mm(distance)} from" if distance > 0 else "over"
                said.append(
                    f"it is {how} the source '{source.name}' at {_point(source.position)} m; keep "
                    f"it at least {_mm(LEAST_DISTANCE_M)} off"
                )
        for receiver in receivers:
            low, high = receiver.position - receiver.zone, receiver.position + receiver.zone
            head = (
                reach_into(body, brick(_box(low, high)))
                if (receiver.zone > 0).all()
                else LEAST_DISTANCE_M - distance_to(body, receiver.position)
            )
            if head > TOUCHING_M:
                said.append(
                    f"it reaches {_mm(head)} into the zone in which the head of "
                    f"'{receiver.name}' moves; move it"
                )
        return said

    def with_others(self, treatments: Sequence[Treatment]) -> list[tuple[Treatment, str]]:
        """Pairs that reach into each other, said of the later one."""
        said = []
        for one, other in combinations(treatments, 2):
            depth = reach_into(self.body(other), self.body(one))
            if depth <= TOUCHING_M:
                continue
            if one.facet == other.facet and not one.is_object:
                u, v = (
                    min(one.rect[k + 2], other.rect[k + 2]) - max(one.rect[k], other.rect[k])
                    for k in (0, 1)
                )
                said.append((other, f"it overlaps '{one.name}' by {u:.2f} x {v:.2f} m"))
            else:
                said.append((other, f"it reaches {_mm(depth)} into '{one.name}'"))
        return said


@dataclass(frozen=True)
class ZonePlace:
    """Bodies that a keep-clear zone takes: before its rectangle, and the swing of its door."""

    sheet: Sheet
    rect: tuple[float, float, float, float]
    front: Solid
    swing: Solid | None

    def taken(self, body: Solid) -> tuple[float, float]:
        """Width and height that a body takes of the rectangle, m."""
        flat = np.array([self.sheet.measures(corner) for corner in body.corners])
        low, high = np.array(self.rect[:2]), np.array(self.rect[2:])
        both = np.minimum(flat.max(axis=0), high) - np.maximum(flat.min(axis=0), low)
        return float(both[0]), float(both[1])


def place_of_zone(scene: Scene, zone: KeepClear, faces: Sequence[Face]) -> ZonePlace:
    """Where a keep-clear zone is."""
    sheet = find_sheet(scene, zone.on, faces)
    (u, v), (width, height) = zone.at, zone.size
    ends = [(u, v), (u + width, v), (u + width, v + height), (u, v + height)]
    flat = np.array([sheet.lift(end) for end in ends])
    depth = max(zone.depth_m, ZONE_DEPTH_M)
    front = solid(np.concatenate([flat, flat + depth * sheet.normal]))
    swing = None
    if zone.swing:
        hinge, free = (flat[0], flat[1]) if zone.swing == "left" else (flat[1], flat[0])
        across = (free - hinge)[:2]
        into = float(np.linalg.norm(across)) * sheet.normal[:2]
        turns = np.linspace(0, np.pi / 2, SWING_STEPS + 1)[:, None]
        arc = hinge[:2] + np.cos(turns) * across + np.sin(turns) * into
        plan = np.concatenate([hinge[None, :2], arc])
        low, high = float(flat[:, 2].min()), float(flat[:, 2].max())
        swing = solid(upright(plan, low, high))
    return ZonePlace(sheet, (u, v, u + width, v + height), front, swing)


def zone_doubts(scene: Scene, faces: Sequence[Face]) -> list[str]:
    """Objects of the room that stand where a keep-clear zone wants it free, and zones unplaced."""
    owners = np.array([s.owner for s in scene.surfaces])[scene.mesh.surface]
    said = []
    for zone in scene.keep_clear:
        try:
            place = place_of_zone(scene, zone, faces)
        except ValueError as error:
            said.append(f"the keep-clear zone '{zone.name}' can't be held free: {error}")
            continue
        bodies = [body for body in (place.front, place.swing) if body is not None]
        depth = np.max([reach_into_triangles(body, scene.mesh.corners) for body in bodies], axis=0)
        (inside,) = locate(scene, place.front.corners.mean(axis=0)[None])
        things = [*owners[depth > TOUCHING_M].tolist(), *({str(inside)} - {AIR, OUTSIDE})]
        said += [
            f"'{thing}' stands in the keep-clear zone '{zone.name}' ({zone.reason}): move it, or "
            "correct the zone; a way out stays free"
            for thing in dict.fromkeys(things)
            if thing != "room"
        ]
    return said


def _box(low: Array, high: Array) -> Array:
    plan = np.array([low[:2], (high[0], low[1]), high[:2], (low[0], high[1])])
    return upright(plan, float(low[2]), float(high[2]))


def _mm(length_m: float) -> str:
    return f"{1000 * length_m:.0f} mm" if length_m < 0.1 else f"{length_m:.2f} m"


def _point(point: Array) -> str:
    return f"({point[0]:.2f}, {point[1]:.2f}, {point[2]:.2f})"
