"""Boundary notches and early reflections of a layout by image sources of first order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.images import find_paths
from raysim.place.layouts import Desk, Layout
from raysim.scene.data import Material, Scene, Source
from raysim.solvers.pack import Packed, pack
from raysim.theory.interference import level_of_two_db, notch_hz

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

WINDOW_S = 0.015
NOTCH_TO_HZ = 500.0
BANDS_HZ = (1000.0, 2000.0, 4000.0)
DEEPEST_DB = 20.0
LONGEST_M = 30.0
NO_NOTCH_DB, NOTHING_DB = 0.0, -60.0
SAME_M = 1e-6


@dataclass(frozen=True)
class Early:
    """Of one loudspeaker at the seat.

    Attributes
    ----------
    notch_db, notch_hz : float
        Depth of the deepest boundary notch up to 500 Hz and where; 0 and NaN without one.
    notch_by : str
        The surface.
    early_db : float
        Sum of first-order reflections within 15 ms re the direct sound, mean of 1 to 4 kHz.
    """

    notch_db: float
    notch_hz: float
    notch_by: str
    early_db: float


@dataclass(frozen=True)
class Paths:
    """Paths of one reflection from a loudspeaker to a seat.

    Attributes
    ----------
    facet : (n,) int
    point : (n, 3) float, m
    length : (n,) float, m
    """

    facet: Ints
    point: Array
    length: Array


class Reflections:
    """Reflections in a room from which the desk is taken, and off the desk's top."""

    def __init__(self, scene: Scene, desk: Desk | None) -> None:
        self.scene, self.desk = scene, desk
        self.packed: Packed = pack(scene, 0.02)
        bands = [i for i, f in enumerate(scene.bands_hz) if f in BANDS_HZ]
        self.bands = bands or list(range(len(scene.bands_hz)))
        surfaces = [scene.surfaces[facet.surface] for facet in scene.facets]
        self._kept = np.array([_kept(scene.materials[s.material]) for s in surfaces])
        self._walls = np.array([s.owner == "room" for s in surfaces])
        self._names = [s.name for s in surfaces]

    def of_all(
        self, layouts: Sequence[Layout], sources: Sequence[Source]
    ) -> list[tuple[Early, Early]]:
        """Of the left and the right loudspeaker of each layout."""
        left = self._of_side(layouts, [one.left for one in layouts], sources[0])
        right = self._of_side(layouts, [one.right for one in layouts], sources[1])
        return list(zip(left, right, strict=True))

    def _of_side(
        self, layouts: Sequence[Layout], positions: Sequence[Array], source: Source
    ) -> list[Early]:
        """Paths are found at once from each position to all seats that it plays to."""
        users: dict[bytes, list[int]] = {}
        for number, position in enumerate(positions):
            users.setdefault(position.tobytes(), []).append(number)
        found: dict[int, Early] = {}
        for own in users.values():
            position = positions[own[0]]
            seats = np.array([layouts[number].seat for number in own])
            for number, paths in zip(own, self._paths(position, seats), strict=True):
                found[number] = self._of(layouts[number], position, source, paths)
        return [found[number] for number in range(len(layouts))]

    def _of(self, one: Layout, position: Array, source: Source, paths: Paths) -> Early:
        speed = self.scene.climate.speed_of_sound
        way = one.seat - position
        direct = float(np.linalg.norm(way))
        placed = replace(source, position=position, aim=way / direct)
        deepest = (NO_NOTCH_DB, float("nan"), "")
        for facet, length in zip(paths.facet, paths.length, strict=True):
            if not self._walls[facet]:
                continue
            at = notch_hz(length - direct, speed)
            depth = -level_of_two_db(np.sqrt(self._kept[facet, 0]) * direct / length)[0]
            depth = float(min(depth, DEEPEST_DB))
            if at <= NOTCH_TO_HZ and depth > deepest[0]:
                deepest = (depth, at, self._names[facet])
        soon = (paths.length - direct) / speed <= WINDOW_S
        kept, ratio = self._kept[paths.facet[soon]], direct / paths.length[soon]
        total = self._energy(placed, paths.point[soon], kept, ratio)
        total += self._off_desk(one, placed, direct)
        early = 10 * np.log10(total) if total > 0 else NOTHING_DB
        return Early(*deepest, early_db=float(early))

    def _paths(self, source: Array, seats: Array) -> list[Paths]:
        """All paths of one reflection, and longer than the direct one, for each seat."""
        most = (len(self.scene.facets) + 1) * len(seats)
        seat, facets = np.empty(most, np.int64), np.full((most, 1), -1, np.int64)
        points, length = np.empty((most, 1, 3)), np.empty(most)
        count = find_paths(
            self.packed.tree,
            self.packed.planes,
            np.ascontiguousarray(source[None]),
            np.ascontiguousarray(seats),
            1,
            LONGEST_M,
            seat,
            facets,
            points,
            length,
        )
        direct = np.linalg.norm(seats - source, axis=1)
        longer = length[:count] > direct[seat[:count]] + SAME_M
        reflected = np.flatnonzero((facets[:count, 0] >= 0) & longer)
        made = []
        for number in range(len(seats)):
            own = reflected[seat[reflected] == number]
            made.append(Paths(facets[own, 0], points[own, 0], length[own]))
        return made

    def _off_desk(self, one: Layout, source: Source, direct: float) -> float:
        if self.desk is None:
            return 0.0
        top = self.desk.high_m
        heights = source.position[2] - top, one.seat[2] - top
        if min(heights) <= 0:
            return 0.0
        share = heights[0] / sum(heights)
        point = source.position + share * (one.seat - source.position)
        point[2] = top
        ahead = (point - one.seat)[:2] @ one.front.ahead[:2] - self.desk.to_head_m
        aside = abs((point - one.seat)[:2] @ one.front.right[:2])
        if not (0 <= ahead <= self.desk.depth_m and aside <= self.desk.width_m / 2):
            return 0.0
        length = float(np.hypot(np.linalg.norm((one.seat - source.position)[:2]), sum(heights)))
        kept = _kept(self.desk.material)
        return self._energy(source, point[None], kept[None], np.array([direct / length]))

    def _energy(self, source: Source, points: Array, kept: Array, ratio: Array) -> float:
        """Of (n,) reflections together, re the direct sound, mean of the bands."""
        if source.directivity is not None:
            ways = points - source.position
            ways = ways / np.linalg.norm(ways, axis=1)[:, None]
            kept = kept * source.directivity.towards(ways @ self.scene.frame_of(source).T)
        return float((kept[:, self.bands].mean(axis=1) * ratio**2).sum())


def _kept(material: Material) -> Array:
    """(bands,) share of energy that goes on as a mirror would send it; lowest band first."""
    return np.asarray((1 - material.absorption) * (1 - material.scattering))
