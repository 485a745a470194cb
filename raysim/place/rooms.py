"""The room that layouts are tried in: its front walls, and what is in the way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from raysim.scene.data import UP, Facet, KeepClear, Scene
from raysim.scene.inside import AIR, is_clear, locate

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_WIDTH_M = 1.4
PLUMB = 0.05
SAME_PLANE_M = 0.02
PROBE_M = 0.02
SILL_M = 0.35
"""Lowest height at which a chair or a stand must be clear of things."""
CHAIR_M = (SILL_M, 0.8)


@dataclass(frozen=True, eq=False)
class Front:
    """A wall that may be the front.

    Attributes
    ----------
    name : str
        Of its largest surface, or of that surface's facet where several fronts have one surface.
    facet : Facet
        The largest of it.
    ahead, right : (3,) float
        Where a listener looks, and to their right.
    middle : (3,) float, m
        Middle of the wall at the floor.
    width_m : float
    depth_m : float
        From its middle to what is opposite, at ear height.
    """

    name: str
    facet: Facet
    ahead: Array
    right: Array
    middle: Array
    width_m: float
    depth_m: float


def fronts_of(scene: Scene, ear_m: float) -> list[Front]:
    """Upright walls of the room at least 1.4 m wide, the scene's own front first."""
    planes: list[list[Facet]] = []
    for facet in scene.facets:
        if scene.surfaces[facet.surface].owner != "room" or abs(facet.normal @ UP) > PLUMB:
            continue
        for plane in planes:
            first = plane[0]
            apart = abs((facet.origin - first.origin) @ first.normal)
            if facet.normal @ first.normal > 0.999 and apart < SAME_PLANE_M:
                plane.append(facet)
                break
        else:
            planes.append([facet])
    found = [front for plane in planes if (front := _front(scene, plane, ear_m)) is not None]
    times = Counter(front.name for front in found)
    found = [
        front if times[front.name] == 1 else replace(front, name=front.facet.name)
        for front in found
    ]
    return sorted(found, key=lambda f: (-round(float(f.ahead @ scene.front), 3), -f.width_m))


def _front(scene: Scene, plane: Sequence[Facet], ear_m: float) -> Front | None:
    largest = max(plane, key=lambda f: f.area)
    ahead = -largest.normal * (1.0, 1.0, 0.0)
    ahead /= np.linalg.norm(ahead)
    ahead = np.round(ahead, 12) + 0.0
    right = scene.right_of(ahead)
    at_ear = [f for f in plane if f.origin[2] < ear_m < f.origin[2] + f.size[1]]
    if not at_ear:
        return None
    ends = np.array([[f.origin, f.origin + f.size[0] * f.u] for f in at_ear]) @ right
    low, high = float(ends.min()), float(ends.max())
    if high - low < LEAST_WIDTH_M:
        return None
    level = float(largest.origin @ ahead)
    middle = (low + high) / 2 * right + level * ahead
    middle[2] = scene.floor_m
    steps = np.arange(PROBE_M, 40.0, PROBE_M)
    probes = middle + (ear_m - scene.floor_m) * UP - steps[:, None] * ahead
    reach = float(np.ptp(scene.mesh.vertices @ ahead)) + 2 * PROBE_M
    probes = probes[steps < reach]
    blocked = np.flatnonzero(np.array(locate(scene, probes)) != AIR)
    if not len(blocked) or blocked[0] == 0:
        return None
    depth = round(_edge(scene, probes[blocked[0] - 1], probes[blocked[0]], middle, ahead), 3)
    name = scene.surfaces[largest.surface].name
    return Front(name, largest, ahead, right, middle, high - low, depth)


def _edge(scene: Scene, inside: Array, beyond: Array, middle: Array, ahead: Array) -> float:
    """How far behind the front wall the air ends between two points, by halving."""
    for _ in range(6):
        half = (inside + beyond) / 2
        if locate(scene, half[None])[0] == AIR:
            inside = half
        else:
            beyond = half
    return float((middle - inside) @ ahead)


class Ground:
    """What is free of the room, of things and of zones that must stay clear."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self._known: dict[tuple[bytes, float], bool] = {}
        self._zones = [_zone(scene, one) for one in scene.keep_clear]

    def is_clear(self, points: Array, radius_m: float) -> bool:
        """Whether (n, 3) points are in the air and so far from everything, and out of doors."""
        self.look(points, radius_m)
        return all(self._known[_key(point, radius_m)] for point in points)

    def look(self, points: Array, radius_m: float) -> None:
        """Find it for (n, 3) points at once."""
        wanted = {_key(point, radius_m): point for point in points}
        new = {key: point for key, point in wanted.items() if key not in self._known}
        if not new:
            return
        places = np.array(list(new.values()))
        clear = is_clear(self.scene, places, radius_m)
        clear &= ~np.array([any(z is not None and z.holds(p) for z in self._zones) for p in places])
        self._known.update(zip(new, clear.tolist(), strict=True))


def _key(point: Array, radius_m: float) -> tuple[bytes, float]:
    return np.round(point, 4).tobytes(), radius_m


@dataclass(frozen=True)
class _Zone:
    """Box before a surface that must stay clear: a door's swing, say."""

    facet: Facet
    low: Array
    high: Array
    depth_m: float

    def holds(self, point: Array) -> bool:
        place = self.facet.to_plane(point)
        ahead = float((point - self.facet.origin) @ self.facet.normal)
        within = (place[0] >= self.low[0]) and (place[0] <= self.high[0])
        return bool(within and 0 <= ahead <= self.depth_m)


def _zone(scene: Scene, zone: KeepClear) -> _Zone | None:
    """Zones with a depth, and doors that swing in: as deep as they are wide."""
    opens = bool(zone.swing) or "swings in" in zone.reason
    depth = max(zone.depth_m, zone.size[0] if opens else 0.0)
    facets = [f for f in scene.facets if scene.surfaces[f.surface].name == zone.on]
    if depth <= 0 or not facets or abs(facets[0].normal @ UP) > PLUMB:
        return None
    facet = max(facets, key=lambda f: f.area)
    low = np.array(zone.at)
    return _Zone(facet, low, low + zone.size, depth)
