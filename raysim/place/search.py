"""The search: every layout on a grid, the best again in plausible rooms, then finer steps."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from raysim.errors import SceneError
from raysim.place.aim import Terms, bass_terms
from raysim.place.early import Early, Reflections
from raysim.place.layouts import Desk, Layout, around, candidates, common_practice
from raysim.place.limits import Limits, Weights
from raysim.place.rooms import CHAIR_M, SILL_M, Front, Ground
from raysim.place.waves import (
    FREE_FIELD,
    Modes,
    log_frequencies,
    plausible_rooms,
    zone_points,
)
from raysim.scene.data import Scene, Source
from raysim.scene.inside import AIR, locate

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Told = Callable[[str, float], None]

ROOMS = 24
FINALISTS = 12
FINER_M = (0.05, 0.025)
LEAST_SLIP_M = 0.01
WORTH_MOVING_DB = 0.5
"""Of the aim; a judgement: less is nothing that anybody would notice."""
DIFFERENT_M = 0.25
"""A runner-up differs from the best by as much in seat or loudspeakers, or has another front."""


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


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class Gain:
    """How much better one layout is than another, dB of the aim.

    Attributes
    ----------
    gain_db : float
        Mean over plausible rooms, paired.
    error_db : float
        Standard deviation over them: what one real room may differ by.
    share : float
        Of plausible rooms in which it is better.
    """

    gain_db: float
    error_db: float
    share: float


@dataclass(frozen=True)
class Found:
    """What a search found.

    Attributes
    ----------
    best, current : Scored
    runner_up, other_front, common : Scored or None
    common_blocked : bool
        Whether the common-practice layout can't stand in this room.
    tried : tuple of Scored
        All possible layouts of the grid.
    robust : tuple of Scored
        Those before the best front that are within 0.5 dB of the best, or within the error.
    gain : Gain
        Of the best over the current.
    """

    best: Scored
    current: Scored
    runner_up: Scored | None
    other_front: Scored | None
    common: Scored | None
    common_blocked: bool
    tried: tuple[Scored, ...]
    robust: tuple[Scored, ...]
    gain: Gain


def gain_of(better: Scored, worse: Scored) -> Gain:
    """Paired over the same plausible rooms."""
    apart = worse.aims_db - better.aims_db
    return Gain(float(apart.mean()), float(apart.std(ddof=1)), float((apart > 0).mean()))


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


def search(
    asked: Asked, told: Told = lambda _stage, _fraction: None, modes: Modes | None = None
) -> Found:
    """Find the best layout, its runner-up and how sure that is.

    `modes` are those of the scene where they are known already.

    Raises
    ------
    SceneError
        No layout fits the limits.
    """
    ground = Ground(asked.scene)
    ear, raised = float(asked.current.seat[2]), _raised(asked.current)
    told("finding what fits", 0.0)
    fitting = [
        one
        for one in candidates(asked.fronts, asked.limits, ear, raised)
        if fits(one, asked, ground)
    ]
    if not fitting:
        raise SceneError(_why_none(asked))
    told("finding modes", 0.05)
    scores = Scores(asked, modes)
    common = [
        scores.one(one) for one in common_practice(asked.fronts[0], ear) if _in_air(one, asked)
    ]
    tried = scores.all(fitting, lambda part: told(f"{len(fitting)} layouts", 0.2 + 0.5 * part))
    tried += [one for one in common if fits(one.layout, asked, ground)]
    current = scores.robustly(scores.one(asked.current))
    told("plausible rooms", 0.7)
    finalists = [scores.robustly(one) for one in _spread(tried, FINALISTS)]
    finalists += [scores.robustly(one) for one in common if one in tried]
    if fits(asked.current, asked, ground):
        finalists.append(current)
    best = min(finalists, key=lambda one: one.mean_db)
    for step in FINER_M:
        near = [one for one in around(best.layout, asked.limits, step) if fits(one, asked, ground)]
        scored = sorted(scores.all(near, lambda _: None), key=lambda one: one.aim_db)[:6]
        best = min([best, *map(scores.robustly, scored)], key=lambda one: one.mean_db)
        told("finer steps", 0.9)
    return _found(best, current, finalists, common, tried, scores, ground)


def fits(one: Layout, asked: Asked, ground: Ground) -> bool:
    """Whether head, chair, loudspeakers, stands and desk have room."""
    limits = asked.limits
    floor = asked.scene.floor_m
    heads = [one.seat] + [_at_height(one.seat, floor + h) for h in CHAIR_M]
    stands = [
        place
        for each in (one.left, one.right)
        for place in (each, _at_height(each, floor + SILL_M))
    ]
    if not ground.is_clear(np.array(heads), limits.head_clear_m):
        return False
    if not ground.is_clear(np.array(stands), limits.loudspeaker_clear_m):
        return False
    if asked.desk is None:
        return True
    corners = one.desk_corners(asked.desk)
    middle = (asked.desk.low_m + asked.desk.high_m) / 2
    places = np.column_stack([np.vstack([corners, corners.mean(axis=0)]), np.full(5, middle)])
    return ground.is_clear(places, 0.03)


def _in_air(one: Layout, asked: Asked) -> bool:
    """Whether both loudspeakers and the whole head zone lie in the air at all."""
    points = np.vstack([one.left, one.right, zone_points(one.seat, asked.zone)])
    return all(where == AIR for where in locate(asked.scene, points))


def _at_height(point: Array, z: float) -> Array:
    return np.array([point[0], point[1], z])


def _raised(current: Layout) -> list[float]:
    """Loudspeakers at ear height, and as much above or below as they stand now."""
    now = round(float((current.left[2] + current.right[2]) / 2 - current.seat[2]), 3)
    return [0.0] if abs(now) < 0.02 else [0.0, now]


def _spread(tried: Sequence[Scored], count: int) -> list[Scored]:
    """The best few, the best that differ from each other, and the best before each front."""
    ordered = sorted(tried, key=lambda one: one.aim_db)
    kept = ordered[: count // 3]
    for one in ordered:
        if len(kept) == count:
            break
        if all(_apart(one.layout, other.layout) >= DIFFERENT_M for other in kept):
            kept.append(one)
    for name in dict.fromkeys(one.layout.front.name for one in tried):
        kept.append(next(one for one in ordered if one.layout.front.name == name))
    return list({id(one): one for one in kept}.values())


def _found(
    best: Scored,
    current: Scored,
    finalists: Sequence[Scored],
    common: Sequence[Scored],
    tried: Sequence[Scored],
    scores: Scores,
    ground: Ground,
) -> Found:
    others = sorted(finalists, key=lambda one: one.mean_db)
    here = best.layout.front.name
    runner_up = next((o for o in others if _apart(o.layout, best.layout) >= DIFFERENT_M), None)
    other_front = next((o for o in others if o.layout.front.name != here), None)
    shown = min(common, key=lambda one: one.aim_db) if common else None
    gain = gain_of(best, current)
    beside = next((o for o in others if o is not best), current)
    limit = best.aim_db + max(gain_of(best, beside).error_db, WORTH_MOVING_DB)
    robust = [o for o in tried if o.layout.front.name == here and o.aim_db <= limit]
    return Found(
        best,
        current,
        runner_up,
        other_front,
        None if shown is None else scores.robustly(shown),
        shown is not None and not fits(shown.layout, scores.asked, ground),
        tuple(tried),
        tuple(robust),
        gain,
    )


def _apart(one: Layout, other: Layout) -> float:
    return max(
        float(np.linalg.norm(one.seat - other.seat)),
        float(np.linalg.norm(one.left - other.left)),
    )


def _why_none(asked: Asked) -> str:
    limits = asked.limits
    deepest = max(front.depth_m for front in asked.fronts)
    wanted = (
        f"head {limits.seat_m[0]:g} to {limits.seat_m[1]:g} m from the front wall, loudspeakers "
        f"{limits.off_wall_m[0]:g} to {limits.off_wall_m[1]:g} m off it and "
        f"{limits.base_m[0]:g} to {limits.base_m[1]:g} m apart"
    )
    if limits.seat_m[0] > deepest - limits.head_clear_m:
        return (
            f"place: --seat: a head {limits.seat_m[0]:g} m from the front wall is outside the room "
            f"or within {limits.head_clear_m:g} m of the wall behind, {deepest:.2f} m away; "
            f"ask for less than {deepest - limits.head_clear_m:.2f} m"
        )
    return (
        f"place: no layout fits ({wanted}); widen a range, allow another front wall, or move "
        "furniture out of the way in the scene"
    )
