"""Boundary notches and early reflections of a layout by image sources of first order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from raysim.kernels.images import find_paths
from raysim.place.layouts import Desk, Layout
from raysim.scene.data import Material, Scene, Source
from raysim.solvers.pack import Packed, pack
from raysim.theory.interference import level_of_two_db, notch_hz

Array = NDArray[np.float64]

WINDOW_S = 0.015
NOTCH_TO_HZ = 500.0
BANDS_HZ = (1000.0, 2000.0, 4000.0)
DEEPEST_DB = 20.0
LONGEST_M = 30.0
NO_NOTCH_DB = 0.0


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


class Reflections:
    """Reflections in a room from which the desk is taken, and off the desk's top."""

    def __init__(self, scene: Scene, desk: Desk | None) -> None:
        self.scene, self.desk = scene, desk
        self.packed: Packed = pack(scene, 0.02)
        bands = [i for i, f in enumerate(scene.bands_hz) if f in BANDS_HZ]
        self.bands = bands or list(range(len(scene.bands_hz)))

    def of(self, one: Layout, sources: Sequence[Source]) -> tuple[Early, Early]:
        """Of the left and the right loudspeaker of a layout."""
        return (
            self._of(one, one.left, sources[0]),
            self._of(one, one.right, sources[1]),
        )

    def _of(self, one: Layout, position: Array, source: Source) -> Early:
        speed = self.scene.climate.speed_of_sound
        way = one.seat - position
        direct = float(np.linalg.norm(way))
        placed = replace(source, position=position, aim=way / direct)
        deepest = (NO_NOTCH_DB, float("nan"), "")
        total = 0.0
        for number, point, length in self._paths(position, one.seat):
            surface = self.scene.surfaces[self.scene.facets[number].surface]
            kept = _kept(self.scene.materials[surface.material])
            further = length - direct
            if further <= 1e-6:
                continue
            ratio = direct / length
            if surface.owner == "room":
                at = notch_hz(further, speed)
                depth = -level_of_two_db(np.sqrt(kept[0]) * ratio)[0]
                if at <= NOTCH_TO_HZ and min(depth, DEEPEST_DB) > deepest[0]:
                    deepest = (float(min(depth, DEEPEST_DB)), at, surface.name)
            if further / speed <= WINDOW_S:
                total += self._energy(placed, point, kept, ratio)
        total += self._off_desk(one, placed, direct)
        early = 10 * np.log10(total) if total > 0 else -60.0
        return Early(*deepest, early_db=float(early))

    def _paths(self, source: Array, receiver: Array) -> list[tuple[int, Array, float]]:
        """Facet, point on it and length of every path of one reflection."""
        most = len(self.scene.facets)
        order, facets = np.empty(most, np.int64), np.full((most, 1), -1, np.int64)
        points, length = np.empty((most, 1, 3)), np.empty(most)
        count = find_paths(
            self.packed.tree,
            self.packed.planes,
            np.ascontiguousarray(source[None]),
            np.ascontiguousarray(receiver[None]),
            1,
            LONGEST_M,
            order,
            facets,
            points,
            length,
        )
        found = range(min(count, most))
        return [
            (int(facets[i, 0]), points[i, 0], float(length[i])) for i in found if facets[i, 0] >= 0
        ]

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
        corners = shapely.Polygon(one.desk_corners(self.desk))
        if not corners.covers(shapely.Point(point[:2])):
            return 0.0
        length = float(np.hypot(np.linalg.norm((one.seat - source.position)[:2]), sum(heights)))
        return self._energy(source, point, _kept(self.desk.material), direct / length)

    def _energy(self, source: Source, point: Array, kept: Array, ratio: float) -> float:
        sent = np.ones(len(kept))
        if source.directivity is not None:
            way = point - source.position
            local = self.scene.frame_of(source) @ (way / np.linalg.norm(way))
            sent = source.directivity.towards(local[None])[0]
        return float((sent * kept)[self.bands].mean() * ratio**2)


def _kept(material: Material) -> Array:
    """(bands,) share of energy that goes on as a mirror would send it; lowest band first."""
    return np.asarray((1 - material.absorption) * (1 - material.scattering))
