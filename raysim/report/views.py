"""Flat pictures of the mesh: looking directions, cuts and footprints, for drawing only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from raysim.scene.data import UP, Mesh, Scene

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# Cut ends that should meet agree to rounding; a tenth of a millimetre joins them.
JOIN_M = 1e-4


@dataclass(frozen=True)
class View:
    """A parallel projection: `across` points right on paper, `upward` points up."""

    across: Array
    upward: Array

    def flat(self, points: Array) -> Array:
        """(..., 3) points in m to (..., 2) on paper, m."""
        return np.stack([points @ self.across, points @ self.upward], axis=-1)

    @property
    def toward(self) -> Array:
        """Unit vector of the cut plane's normal (sign without meaning)."""
        return np.asarray(np.cross(self.across, self.upward))


@dataclass(frozen=True)
class Cut:
    """What a plane meets.

    Attributes
    ----------
    segments : (k, 2, 2) float
        Ends of the cut lines on paper, m.
    surface : (k,) int
        Index into `Scene.surfaces`.
    air : shapely polygon or None
        The room's outline around the point, objects not taken off; None where it is open.
    """

    segments: Array
    surface: Ints
    air: Polygon | None


def plan_view(scene: Scene) -> View:
    """From above: front of the room at the top, the right hand of someone facing it right."""
    return View(across=scene.right_of(scene.front), upward=scene.front)


def section_view(scene: Scene) -> View:
    """From the side, looking to the right-hand side: front of the room on the left."""
    return View(across=-scene.front, upward=UP)


def slice_mesh(mesh: Mesh, point: Array, normal: Array) -> tuple[Array, Ints]:
    """Lines in which a plane cuts the triangles.

    A corner on the plane counts as in front of it, so a line is never found twice.

    Returns
    -------
    ends : (k, 2, 3) float, m
    triangle : (k,) int
    """
    distance = (mesh.vertices - point) @ normal
    ahead = (distance >= 0)[mesh.triangles]
    count = ahead.sum(axis=1)
    met = np.flatnonzero((count == 1) | (count == 2))
    ahead = ahead[met]
    lone = np.argmax(np.where(count[met, None] == 1, ahead, ~ahead), axis=1)
    order = (lone[:, None] + np.arange(3)) % 3
    corner = np.take_along_axis(mesh.triangles[met], order, axis=1)
    place, d = mesh.vertices[corner], distance[corner]
    share = d[:, :1] / (d[:, :1] - d[:, 1:])
    ends = place[:, :1] + share[..., None] * (place[:, 1:] - place[:, :1])
    return ends, met


def cut(scene: Scene, view: View, point: Array) -> Cut:
    """Cut the scene by the plane of the view through `point`."""
    ends, triangle = slice_mesh(scene.mesh, point, view.toward)
    flat, surface = view.flat(ends), scene.mesh.surface[triangle]
    owner = np.array([s.owner for s in scene.surfaces])[surface]
    seat = view.flat(point)
    room = _around(flat[owner == "room"], seat)
    if room is None:
        # A surface may be missing behind an object that stands against it: the outline then
        # closes around the air alone, and the objects that are cut belong to the room.
        air = _around(flat, seat)
        if air is not None:
            solids = [footprint(scene, name, view) for name in np.unique(owner[owner != "room"])]
            room = _holding(
                shapely.union_all([air, *solids]).buffer(JOIN_M, join_style="mitre"), seat
            )
    return Cut(flat, surface, None if room is None else Polygon(room.exterior))


def footprint(scene: Scene, owner: str, view: View) -> BaseGeometry:
    """Shadow of one object on paper."""
    chosen = np.array([s.owner == owner for s in scene.surfaces])[scene.mesh.surface]
    flat = view.flat(scene.mesh.corners[chosen])
    first, second = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
    doubled_area = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    triangles = shapely.polygons(flat[np.abs(doubled_area) > 1e-8])
    merged = shapely.union_all(shapely.set_precision(triangles, JOIN_M / 10))
    return merged.buffer(JOIN_M).buffer(-JOIN_M)


def objects(scene: Scene) -> list[str]:
    """Names of the objects in the room, in the order of the surfaces."""
    return list(dict.fromkeys(s.owner for s in scene.surfaces if s.owner != "room"))


def height_range(scene: Scene, owner: str) -> tuple[float, float]:
    """Lowest and highest point of an object, m."""
    chosen = np.array([s.owner == owner for s in scene.surfaces])[scene.mesh.surface]
    z = scene.mesh.corners[chosen][..., 2]
    return float(z.min()), float(z.max())


def extent_along(air: Polygon, through: Array, direction: Array) -> tuple[float, float]:
    """Where a line on paper through a point meets the outline on either side, m along it."""
    far = direction * 1e3
    crossing = LineString([through - far, through + far]).intersection(air.boundary)
    along = np.sort((shapely.get_coordinates(crossing) - through) @ direction)
    before, after = along[along <= 0], along[along >= 0]
    start = float(through @ direction)
    low = float(before[-1]) if len(before) else 0.0
    high = float(after[0]) if len(after) else 0.0
    return start + low, start + high


def _around(segments: Array, inside: Array) -> Polygon | None:
    """Return the closed outline that holds the point, if the segments make one."""
    if not len(segments):
        return None
    lines = shapely.set_precision(shapely.linestrings(segments), JOIN_M)
    return _holding(shapely.polygonize([shapely.union_all(lines)]), inside)


def _holding(faces: BaseGeometry, inside: Array) -> Polygon | None:
    """Return the part that holds the point."""
    for face in getattr(faces, "geoms", [faces]):
        if face.covers(Point(inside)):
            return face
    return None
