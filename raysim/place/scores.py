"""Scores of layouts in one room: as stated, and in plausible ones."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from raysim.place.aim import Terms, bass_terms
from raysim.place.early import Early, Reflections
from raysim.place.layouts import Desk, Layout
from raysim.place.limits import Limits, Weights
from raysim.place.rooms import Front
from raysim.place.waves import (
    FREE_FIELD,
    Modes,
    log_frequencies,
    plausible_rooms,
    zone_points,
)
from raysim.scene.data import Scene, Source

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

ROOMS = 24
LEAST_SLIP_M = 0.01


@dataclass(frozen=True)
class Asked:
    """What a search is to find.

    Attributes
    ----------
    scene : Scene
        Without the desk.
    sources : (2,) tuple of Source
        Left and right.
    zone : (3,) float, m
    fronts : tuple of Front
        The first is the scene's own.
    current : Layout
    desk : Desk or None
    limits, weights
    seed : int
    highest_hz : float
        Of the bass.
    """

    scene: Scene
    sources: tuple[Source, Source]
    zone: Array
    fronts: tuple[Front, ...]
    current: Layout
    desk: Desk | None
    limits: Limits = field(default_factory=Limits)
    weights: Weights = field(default_factory=Weights)
    seed: int = 1
    highest_hz: float = 200.0


@dataclass(frozen=True, eq=False)
class Scored:
    """A layout and what came out for it.

    Attributes
    ----------
    layout : Layout
    terms : Terms
        In the room as stated.
    early : (2,) tuple of Early
        Left and right.
    aims_db : (rooms,) float
        In plausible rooms; empty where only the stated one was looked at.
    """

    layout: Layout
    terms: Terms
    early: tuple[Early, Early]
    aim_db: float
    aims_db: Array = field(default_factory=lambda: np.zeros(0))

    @property
    def mean_db(self) -> float:
        """Mean over plausible rooms."""
        return float(self.aims_db.mean())


class Scores:
    """Scores layouts of one room; modes and reflections are kept."""

    def __init__(self, asked: Asked, modes: Modes | None = None) -> None:
        self.asked = asked
        self.modes = modes or Modes(
            asked.scene, log_frequencies(asked.highest_hz), asked.scene.receivers[0].position
        )
        self.reflections = Reflections(asked.scene, asked.desk)
        self._inverse = self.modes.inverse()
        slip = max(LEAST_SLIP_M, asked.scene.tolerance_m or 0.0)
        self.rooms = plausible_rooms(asked.scene, ROOMS, asked.seed, slip)
        self._inverses: list[Complex] = []
        self._fields: dict[bytes, tuple[Array, Array]] = {}
        self._seats: dict[bytes, tuple[Array, csr_array, Complex]] = {}

    def all(self, layouts: Sequence[Layout], told: Callable[[float], None]) -> list[Scored]:
        """In the room as stated."""
        self._prepare(layouts)
        scored = []
        for n, one in enumerate(layouts):
            scored.append(self.one(one))
            if n % 50 == 0:
                told(n / len(layouts))
        return scored

    def one(self, layout: Layout) -> Scored:
        """In the room as stated."""
        self._prepare([layout])
        early = self.reflections.of(layout, self.asked.sources)
        bass, sides = bass_terms(self._pressure(layout))
        terms = self._terms(float(bass), float(sides), early)
        return Scored(layout, terms, early, terms.aim_db(self.asked.weights))

    def robustly(self, scored: Scored) -> Scored:
        """In plausible rooms as well."""
        if len(scored.aims_db):
            return scored
        if not self._inverses:
            self._inverses = [self.modes.inverse(room) for room in self.rooms]
        aims = []
        self._prepare([scored.layout])
        for pressure in self._pressures(scored.layout):
            bass, sides = bass_terms(pressure)
            terms = self._terms(float(bass), float(sides), scored.early)
            aims.append(terms.aim_db(self.asked.weights))
        return replace(scored, aims_db=np.array(aims))

    def _terms(self, bass: float, sides: float, early: tuple[Early, Early]) -> Terms:
        levels = [each.early_db for each in early]
        return Terms(
            bass,
            max(each.notch_db for each in early),
            max(levels),
            float(np.hypot(sides, levels[0] - levels[1])),
        )

    def _prepare(self, layouts: Sequence[Layout]) -> None:
        """What modes above the basis add, for sources not seen yet, all at once."""
        wanted = {p.tobytes(): p for one in layouts for p in (one.left, one.right)}
        new = [p for key, p in wanted.items() if key not in self._fields]
        if new:
            values, observe = self.modes.at(np.array(new))
            beyond = self.modes.beyond(observe, values)
            for n, p in enumerate(new):
                self._fields[p.tobytes()] = (values[n], beyond[:, n])

    def _seat(self, seat: Array) -> tuple[Array, csr_array, Complex]:
        """Modes at the head zone, its places, and the inverse applied to them; kept by seat."""
        key = seat.tobytes()
        if key not in self._seats:
            values, observe = self.modes.at(zone_points(seat, self.asked.zone))
            self._seats[key] = (values, observe, self._inverse @ values.T)
        return self._seats[key]

    def _static(self, layout: Layout) -> Array:
        """(2, zone) of modes above the basis."""
        observe = self._seat(layout.seat)[1]
        return np.array([observe @ self._fields[p.tobytes()][1] for p in _ends(layout)])

    def _pressure(self, layout: Layout) -> Complex:
        """(2, zone, F) re the free field at 10 m."""
        values = np.array([self._fields[p.tobytes()][0] for p in _ends(layout)])
        seen = self._seat(layout.seat)[2]
        pressure = np.moveaxis(values @ seen, 0, -1)
        return FREE_FIELD * (pressure + self._static(layout)[:, :, None])

    def _pressures(self, layout: Layout) -> Iterator[Complex]:
        """As `_pressure` in each of the plausible rooms, where things have slipped as well."""
        points = np.vstack([*_ends(layout), zone_points(layout.seat, self.asked.zone)])
        moved = points + np.array([room.slip_m for room in self.rooms])
        values = self.modes.at(moved.reshape(-1, 3))[0].reshape(len(moved), len(points), -1)
        static = self._static(layout)[:, :, None]
        for own, inverse in zip(values, self._inverses, strict=True):
            seen = own[:2] @ (inverse @ own[2:].T)
            yield FREE_FIELD * (np.moveaxis(seen, 0, -1) + static)


def _ends(layout: Layout) -> tuple[Array, Array]:
    return layout.left, layout.right
