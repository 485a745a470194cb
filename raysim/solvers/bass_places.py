"""Where the bass is looked at besides the seats: a plan, the corners, the whole room."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from raysim.results.data import PLAN_STEP_M, BassField
from raysim.scene.data import UP, Scene
from raysim.waves.elements import Elements
from raysim.waves.tetrahedra import barycentric_in

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Complex = NDArray[np.complex128]

LATTICE_M = 0.5
OFF_CORNER_M = 0.1  # from each surface
SQUAREST = 0.5  # least volume spanned by three unit normals that make a corner; 1 is square
IN_FRONT_M = 1e-3
INSIDE = 1e-9


@dataclass(frozen=True)
class Places:
    """Points by what they are for.

    Attributes
    ----------
    plan, corners, lattice : (n, 3) float, m
    cells : (plan, 2) int
    names : tuple of str
        Of the corners.
    middle : (lattice,) bool
        Whether it lies within the inner half of each side of the room.
    """

    plan: Array
    cells: Ints
    corners: Array
    names: tuple[str, ...]
    lattice: Array
    middle: Bools

    @property
    def points(self) -> Array:
        """All of them, plan first, then corners, then lattice."""
        return np.concatenate([self.plan, self.corners, self.lattice])

    def owners(self, elements: Elements) -> Ints:
        """Tetrahedron that each of `points` lies in, -1 outside the air."""
        tetrahedra = elements.mesh.points[elements.mesh.corners]
        return barycentric_in(tetrahedra, self.points, INSIDE)[0]

    def fields(self, response: Complex, there: Bools) -> Fields:
        """Sort (sources, points in the air, frequencies) pressures; `there` says which are."""
        everywhere = np.full(
            (response.shape[0], len(there), response.shape[2]), np.nan, np.complex64
        )
        everywhere[:, there] = response
        ends = np.cumsum([len(self.plan), len(self.corners)])
        plan, corner, lattice = np.split(everywhere, ends, axis=1)
        square = np.abs(lattice).astype(np.float64) ** 2
        own = there[ends[1] :]
        return Fields(plan, corner, _mean(square, own), _mean(square, own & self.middle))


@dataclass(frozen=True)
class Fields:
    """`BassField` of one variant: pressures (sources, points, frequencies), and means."""

    plan: NDArray[np.complex64]
    corner: NDArray[np.complex64]
    mean_square: Array
    middle_square: Array


def places_of(scene: Scene) -> Places:
    """Choose the points from a scene; they stay the same for all its variants."""
    vertices = scene.mesh.vertices
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    plan, cells = _plan(scene, vertices)
    corners, names = _corners(scene)
    lattice = _lattice(low, high)
    middle = (np.abs(lattice - (low + high) / 2) <= (high - low) / 4).all(axis=1)
    return Places(plan, cells, corners, names, lattice, middle)


def joined_fields(places: Places, parts: list[Fields]) -> BassField:
    """Fields of all variants; points of the plan that are in the air of none are left out."""
    plan = np.array([part.plan for part in parts])
    used = np.isfinite(plan.real).any(axis=(0, 1, 3))
    return BassField(
        plan_m=places.plan[used],
        plan_cell=places.cells[used],
        plan=plan[:, :, used],
        corner_name=places.names,
        corner_m=places.corners,
        corner=np.array([part.corner for part in parts]),
        mean_square=np.array([part.mean_square for part in parts]),
        middle_square=np.array([part.middle_square for part in parts]),
    )


def _mean(square: Array, chosen: Bools) -> Array:
    """(sources, frequencies); NaN if none is chosen."""
    if not chosen.any():
        return np.full((square.shape[0], square.shape[2]), np.nan)
    return np.asarray(square[:, chosen].mean(axis=1))


def _plan(scene: Scene, vertices: Array) -> tuple[Array, Ints]:
    seat = scene.receivers[0].position
    ways = np.stack([scene.right_of(scene.front), scene.front])
    reach = (vertices - seat) @ ways.T / PLAN_STEP_M
    low, high = np.ceil(reach.min(axis=0)).astype(int), np.floor(reach.max(axis=0)).astype(int)
    cells = np.indices((high - low + 1).tolist()).reshape(2, -1).T + low
    return seat + PLAN_STEP_M * cells @ ways, cells


def _lattice(low: Array, high: Array) -> Array:
    """Middles of equal cells of about LATTICE_M."""
    count = np.maximum(np.round((high - low) / LATTICE_M), 2).astype(int)
    cells = np.indices(count.tolist()).reshape(3, -1).T + 0.5
    return np.asarray(low + cells * (high - low) / count)


def _corners(scene: Scene) -> tuple[Array, tuple[str, ...]]:
    """Points a little off where three surfaces of the room meet and close in on the air."""
    mesh = scene.mesh
    normals = np.array([f.normal for f in scene.facets])
    points, names = [], []
    for vertex, touching in _triangles_at_vertices(scene):
        facets = np.unique(mesh.facet[touching])
        found = _squarest(normals[facets])
        if found is None:
            continue
        depth = (mesh.corners[touching].reshape(-1, 3) - vertex) @ normals[facets].T
        if depth.min() > -IN_FRONT_M:
            points.append(vertex + np.linalg.solve(found, np.full(3, OFF_CORNER_M)))
            names.append(_corner_name(scene, vertex))
    counted = [
        name if names.count(name) == 1 else f"{name} {names[:n].count(name) + 1}"
        for n, name in enumerate(names)
    ]
    return np.array(points).reshape(-1, 3), tuple(counted)


def _triangles_at_vertices(scene: Scene) -> Iterator[tuple[Array, Ints]]:
    """Each place where triangles of the room meet, and which."""
    mesh = scene.mesh
    of_room = np.flatnonzero(np.array([s.owner == "room" for s in scene.surfaces])[mesh.surface])
    ends = np.round(mesh.corners[of_room].reshape(-1, 3), 6)
    places, number = np.unique(ends, axis=0, return_inverse=True)
    order = np.argsort(number.reshape(-1), kind="stable")
    first = np.searchsorted(number.reshape(-1)[order], np.arange(1, len(places)))
    for place, own in zip(places, np.split(order, first), strict=True):
        yield place, of_room[own // 3]


def _squarest(normals: Array) -> Array | None:
    """The three of (n, 3) normals that are nearest to square to each other, if near enough."""
    normals = np.unique(np.round(normals, 6), axis=0)
    threes = [normals[list(three)] for three in combinations(range(len(normals)), 3)]
    sizes = [abs(np.linalg.det(three)) for three in threes]
    if not sizes or max(sizes) < SQUAREST:
        return None
    return threes[int(np.argmax(sizes))]


def _corner_name(scene: Scene, vertex: Array) -> str:
    middle = (scene.mesh.vertices.min(axis=0) + scene.mesh.vertices.max(axis=0)) / 2
    way = vertex - middle
    ahead = "front" if way @ scene.front > 0 else "rear"
    aside = "right" if way @ scene.right_of(scene.front) > 0 else "left"
    return f"{ahead} {aside}, {'ceiling' if way @ UP > 0 else 'floor'}"
