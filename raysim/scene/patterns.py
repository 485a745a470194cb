"""Usual places for treatment, found from the images of loudspeakers and the zone of the head."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Point, Polygon

from raysim.scene.data import Facet, Receiver, Scene
from raysim.scene.placing import ways
from raysim.scene.traps import (
    Corner,
    ceiling_over,
    find_corner,
    is_upright,
    side_name,
)

Array = NDArray[np.float64]
Rect = tuple[float, float, float, float]

SIDEWAYS = 0.5
ROUND_M = 0.01


@dataclass(frozen=True)
class Spot:
    """Where a pattern puts a piece: on a facet, the middle of it and the least rectangle."""

    facet: int
    rect: Rect


def reflection_points(scene: Scene, plane: tuple[Array, Array], receiver: Receiver) -> Array:
    """Where a mirror in a plane shows each source to each corner of the head's zone.

    Parameters
    ----------
    plane : (point, unit normal into the air)

    Returns
    -------
    (sources, 9, 3) float, m
        The zone's middle first, then its corners; NaN for a source behind the plane. The points
        of a whole zone lie in the convex hull of those of its corners, because the map from a
        point to its mirror point is a projection from the image source.
    """
    point, normal = plane
    signs = np.array(list(product((-1.0, 1.0), repeat=3)))
    heads = receiver.position + np.concatenate([np.zeros((1, 3)), signs * receiver.zone])
    sources = np.array([s.position for s in scene.sources])
    of_source = ((sources - point) @ normal)[:, None, None]
    of_head = ((heads - point) @ normal)[None, :, None]
    feet = sources[:, None] - of_source * normal
    feet_of_head = heads[None] - of_head * normal
    behind = (of_source <= 0) | (of_head <= 0)
    total = np.where(behind, 1.0, of_source + of_head)
    share = np.where(behind, np.nan, of_source / total)
    return np.asarray(feet + share * (feet_of_head - feet))


def reflection_rectangle(scene: Scene, facet: Facet, receiver: Receiver) -> Rect | None:
    """What to cover of a facet so that it covers the mirror points of both loudspeakers.

    Only sources whose mirror point for the middle of the zone lies on the facet count; None where
    there is none. In the facet's frame, m; it may reach beyond the facet.
    """
    points = reflection_points(scene, (facet.origin, facet.normal), receiver)
    area = Polygon(facet.outline[0], facet.outline[1:])
    flat = facet.to_plane(points)
    hit = [k for k in range(len(flat)) if _finite_and_in(area, flat[k, 0])]
    if not hit:
        return None
    low = np.nanmin(flat[hit], axis=(0, 1))
    high = np.nanmax(flat[hit], axis=(0, 1))
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _finite_and_in(area: Polygon, point: Array) -> bool:
    return bool(np.isfinite(point).all() and area.covers(Point(point)))


def side_spots(scene: Scene) -> list[Spot]:
    """Plumb facets of the room to the left and right that mirror a loudspeaker to the seats."""
    right = ways(scene)["right"]
    return _spots(scene, lambda f: is_upright(f) and abs(float(f.normal @ right)) > SIDEWAYS)


def rear_spots(scene: Scene) -> list[Spot]:
    """Plumb facets behind the seats that mirror a loudspeaker to them."""
    front = ways(scene)["front"]
    return _spots(scene, lambda f: is_upright(f) and float(f.normal @ front) > SIDEWAYS)


def _spots(scene: Scene, wanted: Callable[[Facet], bool]) -> list[Spot]:
    spots = []
    for k, facet in enumerate(scene.facets):
        if scene.surfaces[facet.surface].owner != "room" or not wanted(facet):
            continue
        rects = [reflection_rectangle(scene, facet, receiver) for receiver in scene.receivers]
        found = [rect for rect in rects if rect is not None]
        if found:
            low, high = np.min(found, axis=0), np.max(found, axis=0)
            spots.append(Spot(k, (float(low[0]), float(low[1]), float(high[2]), float(high[3]))))
    return spots


def front_spots(scene: Scene) -> list[Spot]:
    """The place on a plumb facet of the room straight behind each loudspeaker."""
    way = ways(scene)["front"]
    spots = []
    for source in scene.sources:
        best, nearest = None, np.inf
        for k, facet in enumerate(scene.facets):
            slant = float(facet.normal @ way)
            of_room = scene.surfaces[facet.surface].owner == "room"
            if not of_room or slant > -SIDEWAYS or not is_upright(facet):
                continue
            distance = float((facet.origin - source.position) @ facet.normal) / slant
            place = facet.to_plane(source.position + distance * way)
            if 0 < distance < nearest and Polygon(facet.outline[0]).covers(Point(place)):
                u, v = float(place[0]), float(place[1])
                best, nearest = Spot(k, (u, v, u, v)), distance
        if best is not None:
            spots.append(best)
    return spots


def cloud_rectangle(scene: Scene, gap_m: float, thickness_m: float) -> Rect | None:
    """Rectangle (x, y, x, y) of a level cloud that mirrors every loudspeaker to every seat.

    The height follows from the lowest ceiling over it, which follows from where it is: found in
    three steps, the first with the ceiling over the middle of loudspeakers and seats.
    """
    places = [s.position for s in scene.sources] + [r.position for r in scene.receivers]
    middle = np.mean(places, axis=0)
    plan = np.array([middle[:2]])
    rect: Rect | None = None
    for _ in range(3):
        height = ceiling_over(scene, plan) - gap_m - thickness_m
        plane = np.array([0.0, 0.0, height]), np.array([0.0, 0.0, -1.0])
        points = np.concatenate(
            [reflection_points(scene, plane, r).reshape(-1, 3) for r in scene.receivers]
        )[:, :2]
        if not np.isfinite(points).any():
            return None
        low, high = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
        rect = float(low[0]), float(low[1]), float(high[0]), float(high[1])
        plan = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    return rect


def room_corners(scene: Scene) -> dict[str, Corner]:
    """Upright inner corners of the room by name: 'front left', ... with a number if several."""
    walls = [
        f
        for f in scene.facets
        if is_upright(f) and scene.surfaces[f.surface].owner == "room" and f.area > 0.1
    ]
    middle = scene.mesh.vertices[:, :2].mean(axis=0)
    found: dict[str, Corner] = {}
    for k, one in enumerate(walls):
        for other in walls[k + 1 :]:
            corner = find_corner(one, other)
            if corner is None or any(
                np.linalg.norm(corner.point - c.point) < 0.05 for c in found.values()
            ):
                continue
            name = side_name(scene, corner.point - middle)
            number = sum(known.startswith(name) for known in found) + 1
            found[name if number == 1 else f"{name} {number}"] = corner
    return found


def around(rect: Rect, size: tuple[float, ...] | None, margin_m: float) -> Rect:
    """A piece of a size about a rectangle's middle, or the rectangle with a margin, to the cm."""
    middle = np.array([rect[0] + rect[2], rect[1] + rect[3]]) / 2
    extent = np.array([rect[2] - rect[0], rect[3] - rect[1]]) + 2 * margin_m
    wanted = np.array(size) if size is not None else np.ceil(extent / ROUND_M - 1e-6) * ROUND_M
    low = np.round((middle - wanted / 2) / ROUND_M) * ROUND_M
    return float(low[0]), float(low[1]), float(low[0] + wanted[0]), float(low[1] + wanted[1])
