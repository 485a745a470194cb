"""Places on surfaces: numbers and plain words, measured from corners and the floor."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon, box

from raysim.scene.data import UP, Facet, Scene
from raysim.scene.faces import Face
from raysim.scene.places import WORDS
from raysim.units import length_m

Array = NDArray[np.float64]
Rect = tuple[float, float, float, float]

WALL_LIKE = 0.7
TOWARD = 0.3
SAME_PLANE_M = 1e-3
SAME_DIRECTION = 1 - 1e-6
ROUNDING_M = 1e-4
GRAMMAR = (
    'write as in "centred 1.12m from the front, 1.2m up", "edge 20cm from the left, '
    '30cm down" or "in the middle"'
)

_CLAUSE = re.compile(
    r"(?:(centred|edge)\s+)?(.+?)\s*(?:from the\s+(front|rear|left|right|floor|ceiling)|(up|down))"
)


@dataclass(frozen=True)
class Sheet:
    """The plane of a surface as people measure it.

    Attributes
    ----------
    name : str
    origin, u, v, normal : (3,) float
        Where both measures are 0, and the ways they grow.
    low, high : (2,) float, m
        What the surface, and what is let into it, spans.
    facets : tuple of int
        Facets of the surface in this plane.
    sides : dict of str to (axis 0 or 1, at the high end)
        Sides of the room that its ends lie on: 'front', 'rear', 'left', 'right', 'floor',
        'ceiling'.
    """

    name: str
    origin: Array
    u: Array
    v: Array
    normal: Array
    low: Array
    high: Array
    facets: tuple[int, ...]
    sides: dict[str, tuple[int, bool]]

    @property
    def is_wall(self) -> bool:
        """Whether heights are measured on it."""
        return bool(abs(self.normal[2]) < WALL_LIKE)

    def lift(self, place: Sequence[float] | Array) -> Array:
        """(2,) measures to a point (3,)."""
        return np.asarray(self.origin + place[0] * self.u + place[1] * self.v)

    def measures(self, point: Array) -> Array:
        """(3,) point to (2,) measures, m."""
        return np.array([(point - self.origin) @ self.u, (point - self.origin) @ self.v])


def ways(scene: Scene) -> dict[str, Array]:
    """Horizontal unit vectors to the sides of the room that its surfaces are named by."""
    if scene.handedness < 0:
        return {side: np.array(way) for side, way in WORDS.items()}
    right = scene.right_of(scene.front)
    return {"front": scene.front, "rear": -scene.front, "left": -right, "right": right}


def find_sheet(scene: Scene, name: str, faces: Sequence[Face] = ()) -> Sheet:
    """The plane of a surface or facet.

    Parameters
    ----------
    faces : sequence of Face
        Of the bare tape-measured room: they say where its surfaces begin, also where furniture
        stands before a corner.

    Raises
    ------
    ValueError
        No such surface, or one that lies in several planes; the sentence begins with what is
        wrong.
    """
    members = [k for k, f in enumerate(scene.facets) if name in (f.name, _surface(scene, f))]
    if not members:
        known = ", ".join(s.name for s in scene.surfaces[:12])
        raise ValueError(f"there is no surface '{name}'; there are {known}")
    first = scene.facets[members[0]]
    if any(not same_plane(first, scene.facets[k]) for k in members):
        listed = ", ".join(f"'{scene.facets[k].name}'" for k in members[:8])
        raise ValueError(f"'{name}' lies in several planes; name one of {listed}")
    bare = [face for face in faces if face.name == name]
    straight = len(bare) == 1 and (abs(bare[0].normal[2]) < 1e-9 or abs(bare[0].normal[2]) > 0.999)
    if straight:
        face = bare[0]
        low_u, low_v, high_u, high_v = face.region.bounds
        sheet = Sheet(
            name, face.origin, face.u, face.v, face.normal,
            np.array([low_u, low_v]), np.array([high_u, high_v]), tuple(members), {},
        )  # fmt: skip
    else:
        sheet = _visible(scene, name, members)
    return replace(sheet, sides=_sides(scene, sheet))


def _surface(scene: Scene, facet: Facet) -> str:
    return scene.surfaces[facet.surface].name


def same_plane(one: Facet, other: Facet) -> bool:
    """Whether two facets lie in one plane and face one way."""
    return bool(
        one.normal @ other.normal > SAME_DIRECTION
        and abs((other.origin - one.origin) @ one.normal) < SAME_PLANE_M
    )


def _visible(scene: Scene, name: str, members: Sequence[int]) -> Sheet:
    """Measured from the ends of what is visible of the surface and of what is let into it."""
    first = scene.facets[members[0]]
    whole = name in {s.name for s in scene.surfaces if s.owner == "room"}
    beside = [
        f
        for k, f in enumerate(scene.facets)
        if same_plane(first, f)
        and (k in members or (whole and scene.surfaces[f.surface].owner == "room"))
    ]
    points = np.concatenate(
        [f.origin + loop[:, :1] * f.u + loop[:, 1:] * f.v for f in beside for loop in f.outline]
    )
    origin = first.origin
    measured = np.stack([(points - origin) @ first.u, (points - origin) @ first.v], axis=-1)
    start = measured.min(axis=0)
    if abs(first.normal[2]) < 1e-3:
        start[1] = float(scene.mesh.vertices[:, 2].min() - origin[2])
    origin = origin + start[0] * first.u + start[1] * first.v
    return Sheet(
        name, origin, first.u, first.v, first.normal,
        measured.min(axis=0) - start, measured.max(axis=0) - start, tuple(members), {},
    )  # fmt: skip


def _sides(scene: Scene, sheet: Sheet) -> dict[str, tuple[int, bool]]:
    sides: dict[str, tuple[int, bool]] = {}
    directions = {**ways(scene), "floor": -UP, "ceiling": UP}
    for side, way in directions.items():
        towards = [float(way @ sheet.u), float(way @ sheet.v)]
        axis = int(np.abs(towards).argmax())
        if abs(towards[axis]) >= TOWARD:
            sides[side] = (axis, towards[axis] > 0)
    return sides


def read_place(sheet: Sheet, at: tuple[float, ...] | str, size: Sequence[float]) -> Rect:
    """Rectangle (low u, low v, high u, high v) in the sheet's measures.

    Parameters
    ----------
    at : (2,) float or str
        Lower left corner, or words.
    size : (2,) float
        Along u and v, m.

    Raises
    ------
    ValueError
        Words outside the grammar, or measured from a side that the surface doesn't have.
    """
    if not isinstance(at, str):
        if len(at) != 2:
            raise ValueError(f"{len(at)} values; on a surface give two, [across, up]")
        return at[0], at[1], at[0] + size[0], at[1] + size[1]
    low: list[float | None] = [None, None]
    middle = False
    for clause in (part.strip() for part in at.split(",")):
        if clause in ("in the middle", "centred"):
            middle = True
            continue
        axis, value = _read_clause(sheet, clause, size)
        if low[axis] is not None:
            raise ValueError(f"'{clause}' says again where it is along that way; leave one out")
        low[axis] = value
    for axis in (0, 1):
        if low[axis] is None and middle:
            low[axis] = float(sheet.low[axis] + sheet.high[axis] - size[axis]) / 2
    missing = [axis for axis in (0, 1) if low[axis] is None]
    if missing:
        known = [s for s, (axis, _) in sheet.sides.items() if axis == missing[0]]
        raise ValueError(
            f"'{at}' doesn't say how far from {' or '.join(known)}; add that after a comma, or "
            "'in the middle'"
        )
    u, v = float(low[0] or 0.0), float(low[1] or 0.0)
    return u, v, u + size[0], v + size[1]


def _read_clause(sheet: Sheet, clause: str, size: Sequence[float]) -> tuple[int, float]:
    """Axis, and the low end of the rectangle along it."""
    found = _CLAUSE.fullmatch(clause)
    if not found:
        raise ValueError(f"'{clause}' isn't understood; {GRAMMAR}")
    word, length, side, way = found.groups()
    try:
        distance = length_m(length)
    except ValueError as error:
        raise ValueError(f"'{clause}': {error}") from None
    side = side or {"up": "floor", "down": "ceiling"}[way]
    if side not in sheet.sides:
        known = ", ".join(sheet.sides)
        raise ValueError(
            f"'{clause}': '{sheet.name}' has no end at the {side}; measure from {known}"
        )
    axis, at_high = sheet.sides[side]
    reach = 0.0 if word == "edge" else size[axis] / 2
    if at_high:
        return axis, float(sheet.high[axis]) - distance + reach - size[axis]
    # heights are above the floor, also where the surface begins higher
    start = 0.0 if side == "floor" else float(sheet.low[axis])
    return axis, start + distance - reach


def describe(scene: Scene, sheet: Sheet, rect: Rect) -> str:
    """Where a rectangle's middle is, from the nearest corner and the floor, in words."""
    middle = np.array([rect[0] + rect[2], rect[1] + rect[3]]) / 2
    words = []
    for axis in (0, 1):
        if axis == 1 and sheet.is_wall:
            height = float(sheet.lift(middle)[2] - scene.mesh.vertices[:, 2].min())
            words.append(f"{height:.2f} m up")
            continue
        ends = [float(middle[axis] - sheet.low[axis]), float(sheet.high[axis] - middle[axis])]
        far = ends[1] < ends[0] - ROUNDING_M
        words.append(f"{ends[far]:.2f} m from the {_end(scene, sheet, axis, far)}")
    return f"{sheet.name}, centred {', '.join(words)}"


def _end(scene: Scene, sheet: Sheet, axis: int, at_high: bool) -> str:
    """Side of the room that an end of a sheet looks at most."""
    way = (1 if at_high else -1) * (sheet.v if axis else sheet.u)
    return max(ways(scene).items(), key=lambda item: float(item[1] @ way))[0]


def on_facet(scene: Scene, sheet: Sheet, rect: Rect) -> tuple[int, Rect]:
    """The facet that holds a rectangle of its sheet, and the rectangle on that facet's frame.

    Raises
    ------
    ValueError
        The rectangle reaches beyond the surface, or over what is let into it; by how much.
    """
    corners = [sheet.lift((u, v)) for u in (rect[0], rect[2]) for v in (rect[1], rect[3])]
    best, least = sheet.facets[0], np.inf
    rects = {}
    for k in sheet.facets:
        facet = scene.facets[k]
        flat = facet.to_plane(np.array(corners))
        low, high = flat.min(axis=0), flat.max(axis=0)
        rects[k] = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
        missing = box(*rects[k]).difference(_area(facet).buffer(ROUNDING_M)).area
        if missing < least:
            best, least = k, missing
    if least > 1e-9:
        raise ValueError(_overhang(scene, sheet, rect, best, rects[best]))
    return best, rects[best]


def _area(facet: Facet) -> Polygon:
    return Polygon(facet.outline[0], facet.outline[1:])


def _overhang(scene: Scene, sheet: Sheet, rect: Rect, index: int, own: Rect) -> str:
    """By how much a rectangle reaches beyond its surface, and over what."""
    beyond = []
    for axis in (0, 1):
        for at_high, over in (
            (False, float(sheet.low[axis]) - rect[axis]),
            (True, rect[axis + 2] - float(sheet.high[axis])),
        ):
            if over > ROUNDING_M:
                side = next((s for s, e in sheet.sides.items() if e == (axis, at_high)), "edge")
                beyond.append(f"{over:.2f} m beyond its {side} end")
    if beyond:
        size = sheet.high - sheet.low
        return (
            f"it reaches {' and '.join(beyond)}; '{sheet.name}' is {size[0]:.2f} x "
            f"{size[1]:.2f} m: move it, or make it smaller"
        )
    facet = scene.facets[index]
    lost = box(*own).difference(_area(facet))
    for other in scene.facets:
        if other is facet or not same_plane(facet, other):
            continue
        loop = other.outline[0]
        points = other.origin + loop[:, :1] * other.u + loop[:, 1:] * other.v
        part = lost.intersection(Polygon(facet.to_plane(points)))
        if part.area > 1e-6:
            low_u, low_v, high_u, high_v = part.bounds
            return (
                f"it reaches {high_u - low_u:.2f} x {high_v - low_v:.2f} m over '{other.name}', "
                f"which isn't part of '{sheet.name}': move it, or make it smaller"
            )
    low_u, low_v, high_u, high_v = lost.bounds
    return (
        f"{high_u - low_u:.2f} x {high_v - low_v:.2f} m of it has nothing behind it: "
        f"'{sheet.name}' has another outline there, or something stands before it; move it, or "
        "make it smaller"
    )
