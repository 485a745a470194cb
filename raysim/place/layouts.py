"""Layouts: two loudspeakers, a seat and a desk before a front wall."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.place.limits import Limits
from raysim.place.rooms import Front
from raysim.scene.data import Material

Array = NDArray[np.float64]

STEP_M = 0.1
COMMON_SEATS = (0.38, 1 / 3)
COMMON_OFF_WALL_M = 0.6
COMMON_SIDE_M = 0.5
WIDEST_COMMON_M = 2.0
LEAST_COMMON_M = 0.6


@dataclass(frozen=True)
class Desk:
    """A table top that goes with the seat.

    Attributes
    ----------
    name : str
    width_m, depth_m : float
        Across and along the look of the listener.
    low_m, high_m : float
        Heights of its lower and upper side.
    to_head_m : float
        From its rear edge to the head.
    material : Material
    """

    name: str
    width_m: float
    depth_m: float
    low_m: float
    high_m: float
    to_head_m: float
    material: Material


@dataclass(frozen=True, eq=False)
class Layout:
    """Where things go.

    Attributes
    ----------
    front : Front
    off_wall_m, base_m, seat_m : float
        Loudspeakers from the front wall, between them, head from the front wall.
    left, right, seat : (3,) float, m
    """

    front: Front
    off_wall_m: float
    base_m: float
    seat_m: float
    left: Array
    right: Array
    seat: Array

    @property
    def apart_deg(self) -> float:
        """Angle between the loudspeakers as seen from above the seat."""
        ways = [(each - self.seat)[:2] for each in (self.left, self.right)]
        cosine = ways[0] @ ways[1] / np.prod([np.linalg.norm(way) for way in ways])
        return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))

    def desk_corners(self, desk: Desk) -> Array:
        """(4, 2) plan corners of the desk."""
        near = self.seat[:2] + desk.to_head_m * self.front.ahead[:2]
        far = near + desk.depth_m * self.front.ahead[:2]
        side = desk.width_m / 2 * self.front.right[:2]
        return np.array([near - side, near + side, far + side, far - side])


def layout(
    front: Front, off_wall_m: float, base_m: float, seat_m: float, ear_m: float, raised_m: float
) -> Layout:
    """A layout symmetrical about the middle of the front wall, lengths to the centimetre."""
    half = base_m / 2 * front.right
    up = np.array([0.0, 0.0, 1.0])
    line = front.middle - off_wall_m * front.ahead
    lifted = (ear_m + raised_m) * up
    left, right = (np.round(line + side + lifted, 4) for side in (-half, half))
    seat = np.round(front.middle - seat_m * front.ahead + ear_m * up, 4)
    return Layout(front, off_wall_m, base_m, seat_m, left, right, seat)


def candidates(
    fronts: Sequence[Front], limits: Limits, ear_m: float, raised_m: Sequence[float]
) -> Iterator[Layout]:
    """All layouts on a grid of 10 cm within the limits of angle and distance."""
    for front in fronts:
        low, high = limits.seat_m
        seats = _grid(max(low, limits.head_clear_m), min(high, front.depth_m))
        for off in _grid(limits.off_wall_m[0], min(limits.off_wall_m[1], front.depth_m)):
            for base in _grid(limits.base_m[0], min(limits.base_m[1], front.width_m)):
                for seat in seats[seats > off]:
                    if _is_seen_well(base, float(seat - off), limits):
                        for raised in raised_m:
                            yield layout(front, off, base, float(seat), ear_m, raised)


def around(one: Layout, limits: Limits, step_m: float, steps: int) -> Iterator[Layout]:
    """The layout's neighbours up to some steps away in each of its lengths, within the limits."""
    raised, ear = float(one.left[2] - one.seat[2]), float(one.seat[2])
    moves = np.array(list(np.ndindex(*[2 * steps + 1] * 3))) - steps
    for move in moves[np.abs(moves).any(axis=1)]:
        off, base, seat = (
            round(float(length), 4)
            for length in np.array([one.off_wall_m, one.base_m, one.seat_m]) + step_m * move
        )
        within = all(
            low <= value <= high
            for value, (low, high) in (
                (off, limits.off_wall_m),
                (base, limits.base_m),
                (seat, limits.seat_m),
            )
        )
        if within and _is_seen_well(base, seat - off, limits):
            yield layout(one.front, off, base, seat, ear, raised)


def common_practice(front: Front, ear_m: float) -> list[Layout]:
    """Head at 38 % and at a third of the depth, loudspeakers 0.6 m off the wall, equilateral.

    Common practice. In short rooms the loudspeakers come nearer to the wall and each other.
    """
    made = []
    for share in COMMON_SEATS:
        seat = round(share * front.depth_m, 2)
        off = round(max(0.2, min(COMMON_OFF_WALL_M, seat - LEAST_COMMON_M)), 2)
        base = min((seat - off) * 2 / 3**0.5, WIDEST_COMMON_M, front.width_m - 2 * COMMON_SIDE_M)
        base = round(max(base, LEAST_COMMON_M), 2)
        off = round(seat - base * 3**0.5 / 2, 2)
        if off > 0.1:
            made.append(layout(front, off, base, seat, ear_m, 0.0))
    return made


def _is_seen_well(base_m: float, ahead_m: float, limits: Limits) -> bool:
    """Whether angle and distance of the loudspeakers from the head are within the limits."""
    apart = np.degrees(2 * np.arctan2(base_m / 2, ahead_m))
    distance = np.hypot(base_m / 2, ahead_m)
    angles, distances = limits.apart_deg, limits.distance_m
    return bool(
        angles[0] <= apart <= angles[1] and distances[0] - 1e-9 <= distance <= distances[1] + 1e-9
    )


def _grid(low: float, high: float) -> Array:
    """Multiples of the step from low to high, and low itself."""
    first = np.ceil(low / STEP_M - 1e-9) * STEP_M
    steps = np.arange(first, high + 1e-9, STEP_M)
    return np.round(steps if len(steps) else np.array([low] if low <= high else []), 4)
