"""Walls as a carpenter needs them: pieces measured from the floor and the nearer corner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.scene.collisions import place_of_zone
from raysim.scene.data import Facet, Scene, Treatment, Variant
from raysim.scene.placing import Sheet, find_sheet

Array = NDArray[np.float64]
Rect = tuple[float, float, float, float]

EQUAL_M = 0.010
COUNTERPART_M = 0.20
ON_AXIS_M = 0.05
SMALLEST_M2 = 0.01
SAME_SIZE_M = 0.005
NEARLY_PARALLEL = 0.9999
SAME_PLANE_M = 0.005


@dataclass(frozen=True)
class Hanging:
    """A piece on a wall.

    Attributes
    ----------
    number : int
        On the drawings and in the table, from 1.
    treatment : Treatment
    rect : (low u, low v, high u, high v), m
        From the left corner as seen from inside and from the floor; on floors and ceilings from
        the drawing's lower left corner.
    """

    number: int
    treatment: Treatment
    rect: Rect


@dataclass(frozen=True)
class Wall:
    """A surface unfolded, as seen from inside.

    Attributes
    ----------
    name : str
    is_upright : bool
    size : (width, height), m
    loops : tuple of (k, 2) float, m
        Outlines of the facets of the surface.
    openings : tuple of (str, (k, 2) float)
        What else lies in its plane: windows, doors, patches.
    zones : tuple of (str, bool, Rect)
        Keep-clear zones: reason, whether hard, where.
    hangings : tuple of Hanging
    """

    name: str
    is_upright: bool
    size: tuple[float, float]
    loops: tuple[Array, ...]
    openings: tuple[tuple[str, Array], ...]
    zones: tuple[tuple[str, bool, Rect], ...]
    hangings: tuple[Hanging, ...]

    def from_corner(self, hanging: Hanging) -> tuple[float, str]:
        """Distance of the nearer upright edge of a piece from the nearer corner, and which."""
        left, right = hanging.rect[0], self.size[0] - hanging.rect[2]
        return (left, "left") if left <= right + 1e-9 else (right, "right")


@dataclass(frozen=True)
class Twin:
    """A piece and what hangs opposite, seen from the seat.

    Attributes
    ----------
    one, other : str
    apart_m : float
        By how much the other is off the mirror image of the one.
    """

    one: str
    other: str
    apart_m: float

    @property
    def is_equal(self) -> bool:
        """Left and right equal to 10 mm."""
        return self.apart_m <= EQUAL_M


def walls_of(scene: Scene, variant: Variant) -> tuple[Wall, ...]:
    """Surfaces that a variant hangs something on, upright ones first; pieces numbered through."""
    pieces = [scene.treatments[k] for k in variant.treatments]
    names: list[str] = []
    for piece in pieces:
        if not piece.is_object and (name := _drawn_as(scene, piece)) not in names:
            names.append(name)
    sheets = {name: find_sheet(scene, name) for name in names}
    names.sort(key=lambda name: not sheets[name].is_wall)
    made, number = [], 1
    for name in names:
        sheet = sheets[name]
        own = [p for p in pieces if not p.is_object and _drawn_as(scene, p) == name]
        own.sort(key=lambda p: (p.section, p.name))
        hangings = []
        for piece in own:
            facet = scene.facets[piece.facet]
            hangings.append(
                Hanging(number, piece, _rect(scene, sheet, _corners(facet, piece.rect)))
            )
            number += 1
        made.append(_wall(scene, sheet, hangings))
    return tuple(made)


def twins_of(scene: Scene, variant: Variant) -> tuple[Twin, ...]:
    """Pairs of pieces of one size and material that face each other left and right.

    The plane between is upright, along the look of the first receiver and through its head.
    """
    seat = scene.receivers[0]
    across = scene.right_of(seat.facing)
    pieces = [scene.treatments[k] for k in variant.treatments]
    middles = [p.corners.mean(axis=0) for p in pieces]
    pairs, taken = [], set()
    for n, (piece, middle) in enumerate(zip(pieces, middles, strict=True)):
        off = float((middle - seat.position) @ across)
        if off > -ON_AXIS_M:
            continue
        mirrored = middle - 2 * off * across
        near = [
            (float(np.linalg.norm(middles[k] - mirrored)), k)
            for k, other in enumerate(pieces)
            if k != n and k not in taken and _alike(scene, piece, other)
        ]
        if near and min(near)[0] < COUNTERPART_M:
            apart, k = min(near)
            taken.add(k)
            pairs.append(Twin(piece.name, pieces[k].name, apart))
    return tuple(pairs)


def _alike(scene: Scene, one: Treatment, other: Treatment) -> bool:
    sizes = [np.sort(np.ptp(piece.corners, axis=0)) for piece in (one, other)]
    absorbs = [scene.materials[piece.material].absorption for piece in (one, other)]
    same_size = np.abs(sizes[0] - sizes[1]).max() < SAME_SIZE_M
    return bool(one.kind == other.kind and same_size and np.allclose(absorbs[0], absorbs[1]))


def _drawn_as(scene: Scene, piece: Treatment) -> str:
    """Name of the surface, or of the facet where the surface lies in several planes."""
    facet = scene.facets[piece.facet]
    name = scene.surfaces[facet.surface].name
    try:
        find_sheet(scene, name)
    except ValueError:
        return facet.name
    return name


def _corners(facet: Facet, rect: Rect) -> Array:
    u0, v0, u1, v1 = rect
    places = np.array([(u0, v0), (u1, v0), (u1, v1), (u0, v1)])
    return facet.origin + np.outer(places[:, 0], facet.u) + np.outer(places[:, 1], facet.v)


def _flat(scene: Scene, sheet: Sheet, points: Array) -> Array:
    """(n, 2) from the left corner and the floor; on level surfaces from the low ends."""
    u, v = (points - sheet.origin) @ sheet.u, (points - sheet.origin) @ sheet.v
    if sheet.is_wall:
        v = points[:, 2] - scene.floor_m if abs(sheet.v[2]) > 0.999 else v
        return np.column_stack([u - sheet.low[0], v])
    return np.column_stack([u - sheet.low[0], v - sheet.low[1]])


def _rect(scene: Scene, sheet: Sheet, points: Array) -> Rect:
    flat = _flat(scene, sheet, points)
    (u0, v0), (u1, v1) = flat.min(axis=0), flat.max(axis=0)
    return float(u0), float(v0), float(u1), float(v1)


def _wall(scene: Scene, sheet: Sheet, hangings: Sequence[Hanging]) -> Wall:
    loops, openings = [], []
    first = scene.facets[sheet.facets[0]]
    for index, facet in enumerate(scene.facets):
        level = abs((facet.origin - first.origin) @ first.normal)
        if facet.normal @ first.normal < NEARLY_PARALLEL or level > SAME_PLANE_M:
            continue
        outer = np.asarray(facet.outline[0])
        points = facet.origin + np.outer(outer[:, 0], facet.u) + np.outer(outer[:, 1], facet.v)
        flat = _flat(scene, sheet, points)
        if index in sheet.facets:
            loops.append(flat)
        elif facet.area > SMALLEST_M2:
            openings.append((facet.name, flat))
    width, height = (float(x) for x in sheet.high - sheet.low)
    zones = []
    for zone in scene.keep_clear:
        if zone.on == sheet.name:
            place = place_of_zone(scene, zone, ())
            u0, v0, u1, v1 = place.rect
            ends = np.array([place.sheet.lift(end) for end in ((u0, v0), (u1, v1))])
            zones.append((zone.reason, zone.hard, _rect(scene, sheet, ends)))
    within = [
        one
        for one in openings
        if one[1].min() > -SAME_PLANE_M and one[1][:, 0].max() < width + SAME_PLANE_M
    ]
    return Wall(
        sheet.name,
        sheet.is_wall,
        (width, height),
        tuple(loops),
        tuple(within),
        tuple(zones),
        tuple(hangings),
    )
