"""Rooms and furniture from a tape measure: faces of the air, cut where things touch.

Axes as in `raysim.scene.data`: x from the left wall, y from the front wall, z up.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from raysim.errors import SceneError
from raysim.scene.ceilings import ceiling_parts
from raysim.scene.data import UP
from raysim.scene.faces import WELD_M, Face, geometry_of, same_plane
from raysim.scene.geometry import Geometry

Array = NDArray[np.float64]

STEP_M = 1e-7
HANDEDNESS = -1


@dataclass(frozen=True)
class Prism:
    """A thing with vertical sides: plan outline (shapely polygon) from `low_m` to `high_m`."""

    name: str
    plan: Polygon
    low_m: float
    high_m: float


@dataclass(frozen=True)
class Patch:
    """A rectangle of another material in a surface: window, door, rug.

    Attributes
    ----------
    on : str
        Surface it lies in.
    at : (2,) float, m
        Lower left corner as seen from inside; on floor and ceiling the corner (x, y).
    size : (2,) float, m
        Width and height; on floor and ceiling along x and y.
    """

    name: str
    on: str
    at: tuple[float, float]
    size: tuple[float, float]


@dataclass(frozen=True)
class Room:
    """The bare room: its faces, its plan and the height of its ceiling parts."""

    faces: tuple[Face, ...]
    plan: Polygon
    ceiling: tuple[Array, ...]
    notes: tuple[str, ...] = ()

    @property
    def flat_height_m(self) -> float | None:
        """Height of a level ceiling, None where it slopes."""
        z = np.concatenate([part[:, 2] for part in self.ceiling])
        return float(z[0]) if np.ptp(z) < WELD_M else None


def box_room(size: Sequence[float]) -> Room:
    """Box of length, width, height in m: front, rear, left, right, floor, ceiling."""
    length, width, height = size
    outline = [(0.0, 0.0), (width, 0.0), (width, length), (0.0, length)]
    return outline_room(outline, height, names=("front", "right", "rear", "left"))


def outline_room(
    outline: Sequence[Sequence[float]],
    ceiling: float | Sequence[Sequence[float]],
    names: Sequence[str] | None = None,
) -> Room:
    """Room over a plan outline; wall k runs from corner k to corner k + 1.

    Parameters
    ----------
    outline : (n, 2) float, m
        Corners in order, either way round, the first not repeated.
    ceiling : float or (n, 3) float, m
        Height, or a point (x, y, z) above every corner of the outline.
    names : sequence of str, optional
        Names of the walls; wall1, wall2, ... by default.

    Raises
    ------
    SceneError
        Outline that crosses itself or repeats a corner; ceiling points not above the corners.
    """
    corners = np.asarray(outline, dtype=np.float64)
    plan = _plan(corners, "room.outline")
    top, parts, notes = ceiling_parts(corners, ceiling)
    names = names or [f"wall{k + 1}" for k in range(len(corners))]
    turn = 1.0 if shapely.LinearRing(corners).is_ccw else -1.0

    faces = []
    for k, name in enumerate(names):
        a, b = corners[k], corners[(k + 1) % len(corners)]
        along = (b - a) / np.linalg.norm(b - a)
        normal = turn * np.array([-along[1], along[0], 0.0])
        tops = (top[k], top[(k + 1) % len(corners)])
        faces.append(_wall(name, "room", (a, b), normal, (0.0, 0.0), tops))
    faces.append(_level("floor", "room", plan, 0.0, 1.0))
    faces.extend(_ceiling_face(part) for part in parts)
    return Room(tuple(faces), plan, tuple(parts), notes)


def _plan(corners: Array, where: str) -> Polygon:
    """Polygon of a plan outline, refused where it is none."""
    if len(corners) < 3:
        raise SceneError(f"{where}: {len(corners)} corners; an outline needs at least 3")
    for k, corner in enumerate(corners):
        other = corners[(k + 1) % len(corners)]
        if np.linalg.norm(other - corner) < 0.001:
            raise SceneError(
                f"{where}: corners {k + 1} and {(k + 1) % len(corners) + 1} are the same point "
                f"({corner[0]:g}, {corner[1]:g}) m; leave one out (the first isn't repeated)"
            )
    plan = Polygon(corners)
    if not plan.is_valid:
        raise SceneError(
            f"{where}: it crosses or touches itself{_place_of_fault(plan)}; "
            "give the corners in order around it"
        )
    return plan


def prism(name: str, corners: Sequence[Sequence[float]], low_m: float, high_m: float) -> Prism:
    """Prism over a plan outline (n, 2) in m, refused where the outline is none."""
    return Prism(
        name, _plan(np.asarray(corners, dtype=np.float64), f"objects.{name}"), low_m, high_m
    )


def _wall(
    name: str,
    owner: str,
    ends: tuple[Array, Array],
    normal: Array,
    bottoms: tuple[float, float],
    tops: tuple[float, float],
) -> Face:
    """Upright face between two plan points; u to the right and v up as seen from the air."""
    u = HANDEDNESS * np.cross(-normal, UP)
    a, b = ends
    heights = (bottoms, tops)
    if u[:2] @ (b - a) < 0:
        a, b = b, a
        heights = (bottoms[::-1], tops[::-1])
    width = float(np.linalg.norm(b - a))
    (low_a, low_b), (high_a, high_b) = heights
    region = Polygon([(0, low_a), (width, low_b), (width, high_b), (0, high_a)])
    return Face(name, owner, np.array([a[0], a[1], 0.0]), u, UP, normal, region)


def _level(name: str, owner: str, region: BaseGeometry, z: float, up: float) -> Face:
    """Level face in plan coordinates; `up` +1 faces upwards, -1 downwards."""
    x, y = np.eye(3)[:2]
    return Face(name, owner, np.array([0.0, 0.0, z]), x, y, np.array([0.0, 0.0, up]), region)


def _ceiling_face(part: Array) -> Face:
    """Face of one flat part of the ceiling, (n, 3) corners."""
    if np.ptp(part[:, 2]) < WELD_M:
        return _level("ceiling", "room", Polygon(part[:, :2]), float(part[0, 2]), -1.0)
    centre = part.mean(axis=0)
    normal = np.linalg.svd(part - centre)[2][2]
    normal = -normal if normal[2] > 0 else normal
    u = np.cross(UP, normal)
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    plane = np.stack([(part - centre) @ u, (part - centre) @ v], axis=-1)
    return Face("ceiling", "room", centre, u, v, normal, Polygon(plane))


def furnish(room: Room, prisms: Sequence[Prism], patches: Sequence[Patch] = ()) -> Geometry:
    """The air of a room with things in it, as a closed geometry.

    Only what borders air remains: the floor under a rack, the back of a shelf against a wall and
    the part of a thing inside another or beyond the room are left out.

    Raises
    ------
    SceneError
        A thing outside the room or through a sloping ceiling, a patch beyond its surface.
    """
    kept, notes, faults = [], list(room.notes), []
    for thing in prisms:
        try:
            inside, note = _fitted(thing, room)
            kept.append(inside)
            notes.extend(note)
        except SceneError as error:
            faults.extend(error.complaints)
    faces = list(room.faces)
    for patch in patches:
        try:
            faces = _patched(faces, patch)
        except SceneError as error:
            faults.extend(error.complaints)
    if faults:
        raise SceneError(faults)
    for thing in kept:
        faces.extend(_in_room(face, room) for face in _body(thing))
    order = {thing.name: k for k, thing in enumerate(kept)}
    visible = []
    for face in faces:
        region = face.region
        for k, thing in enumerate(kept):
            if face.owner == thing.name:
                continue
            region = region.difference(_inside(face, thing, STEP_M))
            if face.owner != "room" and k < order[face.owner]:
                region = region.difference(_inside(face, thing, -STEP_M))
        if not region.is_empty:
            visible.append(replace(face, region=region))
    seen = {face.owner for face in visible}
    notes.extend(
        f"objects.{thing.name}: it lies wholly inside other things and changes nothing"
        for thing in kept
        if thing.name not in seen
    )
    return geometry_of(visible, tuple(notes))


def _fitted(thing: Prism, room: Room) -> tuple[Prism, list[str]]:
    """The part of a thing inside the room, with a note on what was left off."""
    where = f"objects.{thing.name}"
    plan = thing.plan.intersection(room.plan)
    if plan.area < 1e-6 or thing.high_m <= WELD_M:
        raise SceneError(f"{where}: it lies wholly outside the room; check its position and unit")
    height = room.flat_height_m
    high = thing.high_m
    if height is None:
        _refuse_through_slope(thing, plan, room)
    elif thing.low_m >= height:
        raise SceneError(f"{where}: it lies above the ceiling at {height:g} m; check its heights")
    else:
        high = min(high, height)
    low = max(thing.low_m, 0.0)
    lost = 1 - plan.area * (high - low) / (thing.plan.area * (thing.high_m - thing.low_m))
    notes = (
        [f"{where}: {lost:.0%} of it lies beyond the room and is left off"] if lost > 0.001 else []
    )
    if plan.geom_type != "Polygon":
        raise SceneError(f"{where}: the walls cut it into parts; give each part as its own object")
    return Prism(thing.name, orient(plan), low, high), notes


def _refuse_through_slope(thing: Prism, plan: BaseGeometry, room: Room) -> None:
    for part in room.ceiling:
        over = plan.intersection(Polygon(part[:, :2]))
        if over.is_empty or over.area < 1e-9:
            continue
        gradient = np.linalg.lstsq(np.c_[part[:, :2], np.ones(len(part))], part[:, 2], rcond=None)[
            0
        ]
        places = shapely.get_coordinates(over)
        above = thing.high_m - np.c_[places, np.ones(len(places))] @ gradient
        worst = int(above.argmax())
        if above[worst] > WELD_M:
            x, y = places[worst]
            raise SceneError(
                f"objects.{thing.name}: its top at {thing.high_m:g} m is {above[worst]:.2f} m "
                f"above the sloping ceiling at ({x:.2f}, {y:.2f}) m; lower it or move it"
            )


def _place_of_fault(plan: Polygon) -> str:
    """' near (4.00, 3.60) m', where it is known."""
    place = re.search(r"\[(\S+) (\S+)\]", shapely.is_valid_reason(plan))
    return f" near ({float(place[1]):.2f}, {float(place[2]):.2f}) m" if place else ""


def bodies(prisms: Sequence[Prism]) -> list[Geometry]:
    """Each thing as a closed body of its own, normals outwards."""
    return [geometry_of(_body(replace(thing, plan=orient(thing.plan)))) for thing in prisms]


def _body(thing: Prism) -> list[Face]:
    """Top, bottom and sides of a thing.

    The plan runs counter-clockwise, its holes clockwise, so the air is always to the right.
    """
    name = thing.name
    faces = [
        _level(name, name, thing.plan, thing.high_m, 1.0),
        _level(name, name, thing.plan, thing.low_m, -1.0),
    ]
    heights = (thing.low_m,) * 2, (thing.high_m,) * 2
    for ring in (thing.plan.exterior, *thing.plan.interiors):
        corners = np.asarray(ring.coords)[:-1]
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            along = (b - a) / np.linalg.norm(b - a)
            normal = np.array([along[1], -along[0], 0.0])
            faces.append(_wall(name, name, (a, b), normal, *heights))
    return faces


def _in_room(face: Face, room: Room) -> Face:
    """The part of a thing's face that doesn't lie on or beyond the room's boundary."""
    if abs(face.normal[2]) > 0.5:
        z = float(face.origin[2])
        height = room.flat_height_m
        under = height is None or z < height - WELD_M
        there = under if face.normal[2] > 0 else z > WELD_M
        return face if there else replace(face, region=Polygon())
    _, low, _, high = face.region.bounds
    strips = [box(s, low, e, high) for s, e in _stretches(face, room.plan, STEP_M)]
    return replace(face, region=face.region.intersection(shapely.union_all(strips)))


def _inside(face: Face, thing: Prism, step_m: float) -> BaseGeometry:
    """Part of a face whose point a step along the normal lies inside the thing."""
    if abs(face.normal[2]) > 0.5:
        sloping = abs(face.normal[2]) < 1 - 1e-9
        z = float(face.origin[2] + step_m * face.normal[2])
        return Polygon() if sloping or not thing.low_m < z < thing.high_m else thing.plan
    strips = [box(s, thing.low_m, e, thing.high_m) for s, e in _stretches(face, thing.plan, step_m)]
    return shapely.union_all(strips)


def _stretches(face: Face, plan: BaseGeometry, step_m: float) -> list[tuple[float, float]]:
    """Intervals of u in which an upright face, moved a step along its normal, is in the plan.

    The step decides what is inside; the ends are taken on the face itself, so that corners of
    neighbouring faces meet exactly.
    """
    if face.region.is_empty:
        return []
    low, _, high, _ = face.region.bounds
    foot = face.lift(np.array([[low, 0.0], [high, 0.0]]))[:, :2]
    moved = LineString(foot + step_m * face.normal[:2])
    exact = [low, high]
    for ring in (plan.exterior, *plan.interiors) if plan.geom_type == "Polygon" else ():
        corners = np.asarray(ring.coords)
        offset = corners - face.origin[:2]
        u, n = offset @ face.u[:2], offset @ face.normal[:2]
        exact.extend(u[np.abs(n) < WELD_M])
        crossing = n[:-1] * n[1:] < 0
        t = n[:-1][crossing] / (n[:-1] - n[1:])[crossing]
        exact.extend(u[:-1][crossing] + t * (u[1:] - u[:-1])[crossing])
    candidates = np.array(exact)
    stretches = []
    for part in shapely.get_parts(moved.intersection(plan)):
        if part.geom_type != "LineString" or part.length < WELD_M:
            continue
        ends = (np.asarray(part.coords)[[0, -1]] - face.origin[:2]) @ face.u[:2]
        snapped = []
        for end in sorted(ends):
            nearest = float(candidates[np.abs(candidates - end).argmin()])
            snapped.append(nearest if abs(nearest - end) < WELD_M else float(end))
        stretches.append((snapped[0], snapped[1]))
    return stretches


def _patched(faces: list[Face], patch: Patch) -> list[Face]:
    """Faces with the patch cut out and added; it lies over an earlier one."""
    where = f"patches.{patch.name}"
    on = [face for face in faces if face.name == patch.on and face.owner == "room"]
    upright_or_level = [f for f in on if abs(f.normal[2]) < 1e-9 or abs(f.normal[2]) > 1 - 1e-9]
    if len(on) != 1 or not upright_or_level:
        known = sorted({f.name for f in faces if f.owner == "room"})
        raise SceneError(
            f"{where}.on: '{patch.on}' is not a flat upright or level surface of the room; "
            f"there are {', '.join(known)}"
        )
    (face,) = on
    (left, low), (width, height) = patch.at, patch.size
    piece = box(left, low, left + width, low + height)
    whole = shapely.union_all([f.region for f in faces if same_plane(f, face)])
    if not whole.buffer(WELD_M).covers(piece):
        left, low, right, high = whole.bounds
        raise SceneError(
            f"{where}: from ({patch.at[0]:g}, {patch.at[1]:g}) m, size {width:g} x {height:g} m, "
            f"it reaches beyond '{patch.on}', which spans {left:.2f} to {right:.2f} m across and "
            f"{low:.2f} to {high:.2f} m up; give 'at' and 'size' within it"
        )
    piece = piece.intersection(whole)
    under = [
        replace(f, region=f.region.difference(piece)) if same_plane(f, face) else f for f in faces
    ]
    return [*under, replace(face, name=patch.name, region=piece)]
