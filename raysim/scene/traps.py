"""Treatments that are objects: traps in corners and edges, hung clouds, standing screens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Point, Polygon

from raysim.scene.data import Facet, Scene
from raysim.scene.placing import SAME_DIRECTION, Sheet, describe, read_place, ways
from raysim.scene.solids import upright

Array = NDArray[np.float64]

UPRIGHT = 1e-3
FROM_LEVEL = 0.1
MEETS_M = 0.03
LEAST_SINE = 0.3
CLEAR_M = 0.005
"""Objects that can't be fitted exactly to what they touch hang this far off it."""


@dataclass(frozen=True)
class Body:
    """A convex thing on its way to the mesh.

    Attributes
    ----------
    corners : (n, 3) float, m
    where : str
    plan : (k, 2) float or None
        Its plan, where its sides are upright.
    """

    corners: Array
    where: str
    plan: Array | None = None

    @property
    def heights(self) -> tuple[float, float]:
        """Its lowest and highest z."""
        return float(self.corners[:, 2].min()), float(self.corners[:, 2].max())


@dataclass(frozen=True)
class Corner:
    """Upright inner corner of two facets: its point in plan and the ways along both."""

    point: Array
    along: tuple[Array, Array]
    normals: tuple[Array, Array]


def is_upright(facet: Facet) -> bool:
    """Whether a facet stands plumb."""
    return bool(abs(facet.normal[2]) < UPRIGHT)


def find_corner(one: Facet, other: Facet) -> Corner | None:
    """Where two plumb facets meet in an inner corner."""
    normals = np.array([one.normal[:2], other.normal[:2]])
    if not (is_upright(one) and is_upright(other)) or abs(np.linalg.det(normals)) < LEAST_SINE:
        return None
    levels = [float(f.origin[:2] @ f.normal[:2]) for f in (one, other)]
    point = np.linalg.solve(normals, levels)
    along = []
    for facet in (one, other):
        ends = np.array([facet.origin[:2], (facet.origin + facet.size[0] * facet.u)[:2]])
        apart = np.linalg.norm(ends - point, axis=1)
        near = int(apart.argmin())
        if apart[near] > MEETS_M:
            return None
        way = ends[1 - near] - ends[near]
        along.append(way / np.linalg.norm(way))
    if along[0] @ normals[1] < LEAST_SINE or along[1] @ normals[0] < LEAST_SINE:
        return None
    return Corner(point, (along[0], along[1]), (normals[0], normals[1]))


def corners_between(scene: Scene, names: Sequence[str]) -> list[Corner]:
    """Inner corners of a surface or facet with another."""
    one, other = (
        [f for f in scene.facets if name in (f.name, scene.surfaces[f.surface].name)]
        for name in names
    )
    found: list[Corner] = []
    for a in one:
        for b in other:
            corner = find_corner(a, b)
            if corner and all(np.linalg.norm(corner.point - k.point) > MEETS_M for k in found):
                found.append(corner)
    return found


def corner_trap(
    scene: Scene,
    corner: Corner,
    legs: Sequence[float],
    gap_m: float,
    z: tuple[float, float] | None,
    shape: str,
    clear_m: float,
) -> Body:
    """A trap in an upright corner: triangular, or with its four sides along both walls.

    Parameters
    ----------
    legs : (2,) float, m
        Along the first and the second wall.
    gap_m : float
        From both walls.
    z : (bottom, top) in m above the floor, or None for the whole height.
    clear_m : float
        Kept to floor, ceiling and walls where it can't touch them.
    """
    gap = max(gap_m, clear_m)
    (a, b), (n_a, n_b) = corner.along, corner.normals
    start = corner.point + gap / (a @ n_b) * a + gap / (b @ n_a) * b
    ends = [start + legs[0] * a, start + legs[1] * b]
    plan = [start, ends[0], ends[1]]
    if shape == "square":
        plan = [start, ends[0], ends[0] + legs[1] * b, ends[1]]
    outline = np.array(plan)
    floor = float(scene.mesh.vertices[:, 2].min())
    ceiling = ceiling_over(scene, outline)
    low, high = (floor + clear_m, ceiling - clear_m) if z is None else (floor + z[0], floor + z[1])
    if z is not None and clear_m:
        low, high = max(low, floor + clear_m), min(high, ceiling - clear_m)
    where = f"{_corner_name(scene, corner)} corner, {low - floor:.2f} to {high - floor:.2f} m up"
    return Body(upright(outline, low, high), where, outline)


def _corner_name(scene: Scene, corner: Corner) -> str:
    """Such as 'front left': from the middle of the room."""
    return side_name(scene, corner.point - scene.mesh.vertices[:, :2].mean(axis=0))


def side_name(scene: Scene, way: Array) -> str:
    """Such as 'front left' for a direction in plan."""
    sides = ways(scene)
    ahead = "front" if sides["front"][:2] @ way > 0 else "rear"
    return f"{ahead} {'left' if sides['left'][:2] @ way > 0 else 'right'}"


def ceiling_over(scene: Scene, plan: Array) -> float:
    """Lowest height of the room's ceiling over (k, 2) points, m; as high as the room if none."""
    middle = plan.mean(axis=0)
    inside = plan + 1e-3 * (middle - plan)
    lowest = float(scene.mesh.vertices[:, 2].max())
    for facet in scene.facets:
        if facet.normal[2] > -FROM_LEVEL or scene.surfaces[facet.surface].owner != "room":
            continue
        loop = facet.outline[0]
        over = Polygon((facet.origin + loop[:, :1] * facet.u + loop[:, 1:] * facet.v)[:, :2])
        for point, corner in zip(inside, plan, strict=True):
            if over.covers(Point(point)):
                offset = (corner - facet.origin[:2]) @ facet.normal[:2] / facet.normal[2]
                lowest = min(lowest, float(facet.origin[2] - offset))
    return lowest


def edge_trap(
    scene: Scene,
    wall: Facet,
    level: Facet,
    legs: Sequence[float],
    gap_m: float,
    between: tuple[float, float] | None,
    shape: str,
    clear_m: float,
) -> Body | None:
    """A trap along the edge of a plumb wall with a level ceiling or floor; None if they don't meet.

    Parameters
    ----------
    legs : (2,) float, m
        Along the wall and along the ceiling.
    between : (from, to), m
        Part of the edge, from the wall's left end as seen from inside; None for all of it.
    """
    if not is_upright(wall) or abs(level.normal[2]) < SAME_DIRECTION:
        return None
    height = float(level.origin[2])
    ends_z = (float(wall.origin[2]), float(wall.origin[2] + wall.size[1]))
    if min(abs(height - z) for z in ends_z) > MEETS_M:
        return None
    gap = max(gap_m, clear_m)
    first, last = between or (0.0, float(wall.size[0]))
    if between is None:
        first, last = first + clear_m, last - clear_m
    line = [wall.origin + first * wall.u, wall.origin + last * wall.u]
    into, down = wall.normal, level.normal
    corners = []
    for point in line:
        start = np.array([*point[:2], height]) + gap * (into + down)
        corners += [start, start + legs[0] * down, start + legs[1] * into]
        if shape == "square":
            corners.append(start + legs[0] * down + legs[1] * into)
    body = np.array(corners)
    edge = "ceiling" if down[2] < 0 else "floor"
    where = (
        f"edge of {scene.surfaces[wall.surface].name} and {edge}, {first:.2f} to {last:.2f} m "
        "from its left end"
    )
    plan = None
    if shape == "square":
        plan = np.array(shapely.MultiPoint(body[:, :2]).convex_hull.exterior.coords)[:-1]
    return Body(body, where, plan)


def cloud(
    scene: Scene,
    sheet: Sheet,
    at: tuple[float, ...] | str,
    size: Sequence[float],
    thickness_m: float,
    gap_m: float,
) -> Body:
    """A level sheet hung `gap_m` below the lowest ceiling over it.

    Raises
    ------
    ValueError
        Words outside the grammar.
    """
    rect = read_place(sheet, at, size)
    ends = [sheet.lift((u, v))[:2] for u in (rect[0], rect[2]) for v in (rect[1], rect[3])]
    plan = box_plan(np.min(ends, axis=0), np.max(ends, axis=0))
    top = ceiling_over(scene, plan) - gap_m
    floor = float(scene.mesh.vertices[:, 2].min())
    where = f"under the {describe(scene, sheet, rect)}, lower side {top - thickness_m - floor:.2f}"
    return Body(upright(plan, top - thickness_m, top), f"{where} m up", plan)


def standing(at: Sequence[float], size: Sequence[float]) -> Body:
    """A box from its corner with the smallest coordinates."""
    low, high = np.array(at), np.array(at) + size
    plan = box_plan(low[:2], high[:2])
    x, y = plan.mean(axis=0)
    where = f"standing at ({x:.2f}, {y:.2f}) m, {low[2]:.2f} to {high[2]:.2f} m up"
    return Body(upright(plan, float(low[2]), float(high[2])), where, plan)


def box_plan(low: Array, high: Array) -> Array:
    """(4, 2) corners of a rectangle along x and y."""
    return np.array([low, (high[0], low[1]), high, (low[0], high[1])])
