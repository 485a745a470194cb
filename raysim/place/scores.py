"""Scores of layouts in one room: as stated, and in plausible ones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from raysim.place.aim import Terms
from raysim.place.early import Early, Reflections
from raysim.place.fields import Fields
from raysim.place.layouts import Desk, Layout
from raysim.place.limits import Limits, Weights
from raysim.place.plausible import plausible_rooms
from raysim.place.rooms import Front
from raysim.place.waves import Modes, log_frequencies
from raysim.scene.data import Scene, Source

Array = NDArray[np.float64]

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
        self._slip = max(LEAST_SLIP_M, asked.scene.tolerance_m or 0.0)

    def all(
        self, layouts: Sequence[Layout], told: Callable[[float], None] = lambda _part: None
    ) -> list[Scored]:
        """In the room as stated."""
        scored: list[Scored] = []
        for _, some in groupby(layouts, key=lambda one: one.front.name):
            own = list(some)
            early = self.reflections.of_all(own, self.asked.sources)
            bass, sides = self._fields(own).nominal()
            for one, reflected, uneven, apart in zip(own, early, bass, sides, strict=True):
                terms = _terms(float(uneven), float(apart), reflected)
                aim = terms.aim_db(self.asked.weights)
                scored.append(Scored(one, terms, reflected, aim))
            told(len(scored) / len(layouts))
        return scored

    def robustly(self, scored: Sequence[Scored], rooms: int) -> list[Scored]:
        """In so many plausible rooms as well, the same for all."""
        drawn = plausible_rooms(self.asked.scene, rooms, self.asked.seed, self._slip)
        bass, sides = self._fields([one.layout for one in scored]).plausible(drawn)
        weights = self.asked.weights
        return [
            replace(
                one,
                aims_db=np.array(
                    [
                        _terms(float(uneven), float(apart), one.early).aim_db(weights)
                        for uneven, apart in zip(bass[:, n], sides[:, n], strict=True)
                    ]
                ),
            )
            for n, one in enumerate(scored)
        ]

    def _fields(self, layouts: Sequence[Layout]) -> Fields:
        return Fields(self.modes, layouts, self.asked.zone)


def _terms(bass: float, sides: float, early: tuple[Early, Early]) -> Terms:
    levels = [each.early_db for each in early]
    return Terms(
        bass,
        max(each.notch_db for each in early),
        max(levels),
        float(np.hypot(sides, levels[0] - levels[1])),
    )
