"""The bass of many layouts at once: the equations of a room are solved once for all of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.place.aim import bass_terms
from raysim.place.layouts import Layout
from raysim.place.plausible import Plausible
from raysim.place.waves import FREE_FIELD, Modes
from raysim.place.zones import zone_points
from raysim.scene.inside import clearance
from raysim.waves.threads import each

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Complex = NDArray[np.complex128]

TOGETHER = 8
"""Frequencies solved in one step."""
DIGITS = 6
SHY = 0.9
"""Of the way to a surface."""


class Fields:
    """Layouts in a room.

    Parameters
    ----------
    modes : Modes
    layouts : sequence of Layout
    zone : (3,) float, m
        Half the size of the head zone.
    """

    def __init__(self, modes: Modes, layouts: Sequence[Layout], zone: Array) -> None:
        self.modes = modes
        lefts, self._left = _unique([one.left for one in layouts])
        rights, right = _unique([one.right for one in layouts])
        seats, self._seat = _unique([one.seat for one in layouts])
        self._right = right + len(lefts)
        self._lefts, self._sources = len(lefts), np.vstack([lefts, rights])
        self._zones = zone_points(modes.scene, seats, zone)
        beyond = modes.beyond(self._sources, self._zones.reshape(-1, 3))
        static = beyond.reshape(len(self._sources), len(seats), -1)
        self._static = static[np.column_stack([self._left, self._right]), self._seat[:, None]]

    def nominal(self) -> tuple[Array, Array]:
        """(layouts,) unevenness and difference of sides, dB, in the room as stated."""
        values = self._values(self._points())
        parts = each(lambda chosen: self._part(values, chosen, None), self._steps())
        return bass_terms(np.concatenate(parts, axis=-1))

    def plausible(self, rooms: Sequence[Plausible]) -> tuple[Array, Array]:
        """(rooms, layouts) of the same in plausible rooms."""

        def terms(number: int) -> tuple[Array, Array]:
            steps = [self._part(values[number], own, rooms[number]) for own in self._steps()]
            return bass_terms(np.concatenate(steps, axis=-1))

        values = self._values(self._slipped(rooms))
        bass, sides = zip(*each(terms, range(len(rooms))), strict=True)
        return np.array(bass), np.array(sides)

    def _steps(self) -> list[Ints]:
        count = len(self.modes.frequencies_hz)
        return np.array_split(np.arange(count), -(-count // TOGETHER))

    def _values(self, points: Array) -> Array:
        """(..., places, modes) values of the modes at points (..., places, 3)."""
        values = self.modes.at(points.reshape(-1, 3))[0]
        return values.reshape(*points.shape[:-1], -1)

    def _points(self) -> Array:
        """(places, 3): loudspeakers, then the heads' zones."""
        return np.vstack([self._sources, self._zones.reshape(-1, 3)])

    def _slipped(self, rooms: Sequence[Plausible]) -> Array:
        """(rooms, places, 3) of where things are; nothing slips farther than to a surface."""
        points = self._points()
        farthest = max(float(np.linalg.norm(room.slip_m, axis=-1).max()) for room in rooms)
        free = clearance(self.modes.scene.mesh, points, 2 * farthest / SHY)
        sides = np.where(np.arange(len(self._sources)) < self._lefts, 0, 1)
        of_seat = np.repeat(np.arange(len(self._zones)), self._zones.shape[1])
        free[len(sides) :] = free[len(sides) :].reshape(len(self._zones), -1).min(axis=1)[of_seat]
        slips = np.array([room.slip_m for room in rooms])
        slips = slips[:, np.concatenate([sides, np.full(len(of_seat), 2)])]
        size = np.linalg.norm(slips, axis=-1)
        share = np.minimum(1.0, SHY * free / np.maximum(size, 1e-9))
        return np.asarray(points + share[..., None] * slips)

    def _part(self, values: Array, chosen: Ints, room: Plausible | None) -> Complex:
        """(layouts, 2, zone, chosen) pressure re the free field at 10 m."""
        sources, zones = values[: len(self._sources)], values[len(self._sources) :]
        zones = zones.reshape(*self._zones.shape[:2], -1)
        loads = sources.T.astype(np.complex128)
        solved = np.linalg.solve(self.modes.matrices(chosen, room), loads)
        pressure = np.empty((len(self._seat), 2, zones.shape[1], len(chosen)), np.complex128)
        for number, zone in enumerate(zones):
            own = np.flatnonzero(self._seat == number)
            for side, column in enumerate((self._left, self._right)):
                # (chosen, zone, own) of one loudspeaker of all layouts with this seat
                seen = zone @ solved[:, :, column[own]]
                pressure[own, side] = np.moveaxis(seen, (2, 1, 0), (0, 1, 2))
        return FREE_FIELD * (pressure + self._static[..., None])


def _unique(points: Sequence[Array]) -> tuple[Array, Ints]:
    """Different places, and which of them each point is."""
    rounded = np.round(np.array(points), DIGITS)
    places, which = np.unique(rounded, axis=0, return_inverse=True)
    return np.asarray(places, np.float64), np.asarray(which.reshape(-1))
