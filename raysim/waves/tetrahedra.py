"""The air of a room as tetrahedra whose outer faces know the triangle they lie on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from raysim.digits import tidy
from raysim.errors import SceneError, SolverError
from raysim.waves.adjacency import Faces, faces_of
from raysim.waves.closing import without_slits
from raysim.waves.hulls import body_at, hulls_of, with_hulls
from raysim.waves.mesher import fill
from raysim.waves.slits import bisected, doubled, of_air, unopened_edges
from raysim.waves.tags import lying_on

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

EDGE_SHARE = 0.46  # of the shortest wavelength
LONGEST_EDGE_M = 0.7  # so that the field a step from a source is there at any frequency
COARSENED = 0.73  # edges asked for where they become longer by coarsening
ENVELOPE_M = 0.005
VOLUME_TOLERANCE = 1e-3
ATTEMPTS = ((ENVELOPE_M, True), (ENVELOPE_M, False), (ENVELOPE_M / 4, False))
REACH = 1.5  # envelopes
DETAIL_SHARE = 1 / 6
SMALLEST_BODY_M3 = 1e-6
POINTS_AT_ONCE = 256
UNREPEATABLE = "another mesh of this room differs on this system: levels move by about 0.1 dB"
SHEET_TOLERANCE = 0.06  # free rims are ragged, by some 15 cm where they meet a wall


@dataclass(frozen=True)
class Tetrahedra:
    """Air as tetrahedra.

    Attributes
    ----------
    points : (p, 3) float, m
        Doubled along thin sheets, whose sides are not joined.
    corners : (t, 4) int
    outer : (b, 3) int
        Faces at the boundary.
    triangle : (b,) int
        Which of the given triangles each outer face lies on.
    volume : float, m3
    notes : tuple of str
        What was left out or moved, one sentence each.
    body : (t,) int
        Which body that is no hole each tetrahedron lies in, -1 for none; empty if there are none.
    """

    points: Array
    corners: Ints
    outer: Ints
    triangle: Ints
    volume: float
    notes: tuple[str, ...]
    body: Ints = field(default_factory=lambda: np.empty(0, np.int64))

    @property
    def bodies(self) -> int:
        """How many bodies there are."""
        return int(self.body.max(initial=-1)) + 1

    def in_bodies(self, tetrahedra: Ints, chosen: Iterable[int]) -> Bools:
        """Which of tetrahedra by number (-1 for none) lie in chosen bodies."""
        if not len(self.body):
            return np.zeros(len(tetrahedra), bool)
        return np.isin(self.body[tetrahedra], list(chosen)) & (tetrahedra >= 0)


def tetrahedra_of(
    vertices: Array,
    triangles: Ints,
    inside: Array,
    wavelength_m: float,
    volume_m3: float | None = None,
    bodies: Sequence[Array] = (),
) -> Tetrahedra:
    """Fill the air that `inside` lies in.

    Parameters
    ----------
    vertices : (n, 3) float, m
    triangles : (m, 3) int
        Normals point into the air; both sides of a thin sheet are triangles of their own.
    inside : (3,) float, m
        A point in the air.
    wavelength_m : float
        Shortest wavelength of interest: edges are 0.46 of it or 0.7 m, and closed things smaller
        than a sixth of it are left out.
    volume_m3 : float, optional
        Volume of the air if known, to compare with.
    bodies : sequence of (k, 3) float, m
        Corners of convex bodies in the room that are no holes: their faces are faces of
        tetrahedra, and air goes on inside. `Tetrahedra.body` tells which is which.

    Raises
    ------
    SceneError
        The room isn't closed; with the place.
    SolverError
        The volume can't be kept within 0.1 %.
    """
    kept, notes = _without_detail(vertices, triangles, inside, DETAIL_SHARE * wavelength_m)
    vertices, slit = without_slits(vertices, triangles, kept & _bodies(vertices, triangles))
    if slit > 0:
        notes = [*notes, f"slits of up to {1000 * slit:.0f} mm between bodies and walls are closed"]
    hulls, slit = hulls_of(bodies, vertices[triangles[kept]])
    if slit > 0:
        notes = [*notes, f"slits of up to {1000 * slit:.0f} mm behind absorbers are filled"]
    edge = min(EDGE_SHARE * wavelength_m, LONGEST_EDGE_M)
    for attempt, (envelope, coarsen) in enumerate(ATTEMPTS):
        try:
            made = _fill_air(vertices, triangles, kept, inside, edge, envelope, coarsen, hulls)
        except (SceneError, SolverError):
            # Faces that lie a little off their triangles look like a leak.
            if attempt + 1 < len(ATTEMPTS):
                continue
            raise
        if volume_m3 is None or abs(made.volume / volume_m3 - 1) <= VOLUME_TOLERANCE:
            if volume_m3 is not None:
                off = 100 * (made.volume / volume_m3 - 1)
                notes = [
                    *notes,
                    f"tetrahedra fill {made.volume:.2f} m³, {tidy(off, 3)} % off the room",
                ]
            return replace(made, notes=(*made.notes, *notes))
    raise SolverError(
        f"bass: the tetrahedra fill {made.volume:.2f} m3, but the room has {volume_m3:.2f} m3; "
        "are there separate volumes or overlapping objects? See 'raysim check', or run with "
        "--no-bass"
    )


def _fill_air(
    vertices: Array,
    triangles: Ints,
    kept: Bools,
    inside: Array,
    edge: float,
    envelope: float,
    coarsen: bool,
    hulls: Sequence[Array],
) -> Tetrahedra:
    given = triangles[kept & _first_of_equals(triangles)]
    number = np.flatnonzero(kept)
    corners, reach = vertices[triangles[number]], REACH * envelope
    edge *= COARSENED if coarsen else 1.0
    points, tets, repeatable = fill(*with_hulls(vertices, given, hulls), edge, envelope, coarsen)
    faces = faces_of(tets)
    closed: Bools = np.any(lying_on(points, tets, faces, corners, reach) >= 0, axis=1)
    points, tets, faces = of_air(points, tets[_air(points, tets, faces, closed, inside, corners)])
    sides = lying_on(points, tets, faces, corners, reach)
    closed = np.any(sides >= 0, axis=1)
    split, origin = doubled(tets, closed, faces)
    edges = unopened_edges(closed, faces, np.bincount(origin, minlength=len(points)))
    if len(edges):
        points, tets, faces = of_air(*bisected(points, tets, edges))
        sides = lying_on(points, tets, faces, corners, reach)
        closed = np.any(sides >= 0, axis=1)
        split, origin = doubled(tets, closed, faces)
    outer, which = _outer(points, tets, split, faces, sides)
    points = points[origin]
    _check_sheets(points[outer], number[which], vertices[triangles], _sheets(triangles) & kept)
    each = points[split]
    volume = float(np.abs(np.linalg.det(each[:, 1:] - each[:, :1])).sum() / 6)
    said = () if repeatable else (UNREPEATABLE,)
    body = body_at(each.mean(axis=1), hulls)
    return Tetrahedra(points, split, outer, number[which], volume, said, body)


def _outer(points: Array, tets: Ints, split: Ints, faces: Faces, sides: Ints) -> tuple[Ints, Ints]:
    """Faces at the boundary in new numbers of points, and the triangles they lie on."""
    outer, which = [], []
    for side in (0, 1):
        found = np.flatnonzero((sides[:, side] >= 0) & (faces.beside[:, side] >= 0))
        owner = faces.beside[found, side]
        place = (tets[owner][:, None, :] == faces.corners[found][:, :, None]).argmax(axis=2)
        outer.append(np.take_along_axis(split[owner], place, axis=1))
        which.append(sides[found, side])
    count = int((faces.beside[:, 1] < 0).sum())
    hull = int((sides[faces.beside[:, 1] < 0, 0] >= 0).sum())
    if hull < count:
        bad = np.flatnonzero((faces.beside[:, 1] < 0) & (sides[:, 0] < 0))[0]
        raise SolverError(
            f"bass: {count - hull} faces near {_place(points[faces.corners[bad]].mean(axis=0))} "
            "lie on no surface; run with --no-bass"
        )
    return np.concatenate(outer), np.concatenate(which)


def _air(
    points: Array, tets: Ints, faces: Faces, closed: Bools, inside: Array, corners: Array
) -> Bools:
    """Which tetrahedra can be reached from `inside` without crossing a closed face."""
    start = containing(points[tets], inside)
    if start < 0:
        raise SceneError(f"bass: {_place(inside)} is outside the room; is the mesh closed?")
    graph = faces.neighbours(closed, len(tets))
    order, before = breadth_first_order(graph, start, directed=False)
    reached = np.zeros(len(tets), bool)
    reached[order] = True
    hull = faces.beside[(faces.beside[:, 1] < 0), 0]
    out = hull[reached[hull]]
    if len(out):
        way = [int(out[0])]
        while way[-1] != start:
            way.append(int(before[way[-1]]))
        centres = points[tets[way]].mean(axis=1)
        turns = winding(corners, centres)
        leak = centres[np.flatnonzero(turns > 0.5)[0]] if (turns > 0.5).any() else centres[-1]
        raise SceneError(
            f"bass: the room is not closed; it leaks near {_place(leak)}; close the gap or run "
            "with --no-bass"
        )
    return reached


def containing(corners: Array, point: Array) -> int:
    """Tetrahedron of (t, 4, 3) that a point lies in, -1 for none."""
    return int(barycentric_in(corners, point[None])[0][0])


def barycentric_in(corners: Array, points: Array, slack: float = 1e-6) -> tuple[Ints, Array]:
    """Tetrahedron (n,) of each of (n, 3) points, -1 for none, and the weights (n, 4) of corners."""
    origin = corners[:, 0]
    inverse = np.linalg.inv((corners[:, 1:] - origin[:, None]).transpose(0, 2, 1))
    low, high = corners.min(axis=1) - 1e-9, corners.max(axis=1) + 1e-9
    found, weights = np.full(len(points), -1), np.zeros((len(points), 4))
    for start in range(0, len(points), POINTS_AT_ONCE):
        some = points[start : start + POINTS_AT_ONCE]
        near = np.ones((len(some), len(corners)), bool)
        for axis in range(3):
            near &= some[:, axis, None] >= low[:, axis]
            near &= some[:, axis, None] <= high[:, axis]
        point, tetrahedron = np.nonzero(near)
        rest = np.einsum("nij,nj->ni", inverse[tetrahedron], some[point] - origin[tetrahedron])
        each = np.column_stack([1 - rest.sum(axis=1), rest])
        least = each.min(axis=1)
        # of each point the one it is deepest in, the first of equals
        best = np.lexsort((tetrahedron, -least, point))
        best = best[np.unique(point[best], return_index=True)[1]]
        best = best[least[best] >= -slack]
        found[start + point[best]], weights[start + point[best]] = tetrahedron[best], each[best]
    return found, weights


def winding(corners: Array, points: Array) -> Array:
    """How often (m, 3, 3) triangles go round each of (n, 3) points: 1 in the air, 0 outside.

    Solid angles by van Oosterom and Strackee 1983.
    """
    turns = np.empty(len(points))
    for i, point in enumerate(points):
        a, b, c = (corners - point).transpose(1, 0, 2)
        la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
        triple = np.einsum("ij,ij->i", a, np.cross(b, c))
        rest = la * lb * lc + (a * b).sum(1) * lc + (b * c).sum(1) * la + (c * a).sum(1) * lb
        turns[i] = -np.arctan2(triple, rest).sum() / (2 * np.pi)
    return turns


def _without_detail(
    vertices: Array, triangles: Ints, inside: Array, smallest_m: float
) -> tuple[Bools, list[str]]:
    """Leave out closed parts smaller than a length, except the one around `inside`."""
    part = _parts(triangles, len(vertices))
    kept = np.ones(len(triangles), bool)
    notes = []
    for p in np.unique(part):
        own = vertices[triangles[part == p]].reshape(-1, 3)
        low, high = own.min(axis=0), own.max(axis=0)
        around = ((inside > low) & (inside < high)).all()
        if not around and np.linalg.norm(high - low) < smallest_m:
            kept[part == p] = False
            notes.append(
                f"left out a part of {100 * np.linalg.norm(high - low):.0f} cm across at "
                f"{_place((low + high) / 2)}, smaller than a sixth of the shortest wavelength"
            )
    return kept, notes


def _parts(triangles: Ints, count: int) -> Ints:
    a, b = triangles[:, [0, 1]].ravel(), triangles[:, [1, 2]].ravel()
    graph = coo_array((np.ones(len(a), np.int8), (a, b)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1][triangles[:, 0]])


def _bodies(vertices: Array, triangles: Ints) -> Bools:
    """Which triangles belong to closed parts with air around them: normals point outwards."""
    part = _parts(triangles, len(vertices))
    a, b, c = vertices[triangles].transpose(1, 0, 2)
    volume = np.bincount(part, (a * np.cross(b, c)).sum(axis=1) / 6)
    edges = np.sort(triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, which, count = np.unique(edges, axis=0, return_inverse=True, return_counts=True)
    rim = (count[which.reshape(-1)] != 2).reshape(-1, 3).any(axis=1)
    return np.asarray((volume[part] > SMALLEST_BODY_M3) & (np.bincount(part, rim)[part] == 0))


def _sheets(triangles: Ints) -> Bools:
    """Which of (m, 3) triangles are there with both sides."""
    rising = np.sort(triangles, axis=1)
    _, which, count = np.unique(rising, axis=0, return_inverse=True, return_counts=True)
    return np.asarray(count[which.reshape(-1)] > 1)


def _check_sheets(outer: Array, triangle: Ints, corners: Array, sheets: Bools) -> None:
    """A hole in a sheet is no leak, but its area shows it."""
    wanted = float(areas_of(corners[sheets]).sum())
    found = float(areas_of(outer[sheets[triangle]]).sum())
    if abs(found - wanted) > SHEET_TOLERANCE * wanted:
        raise SolverError(
            f"bass: thin sheets of {wanted / 2:.2f} m2 come out as {found / 2:.2f} m2; give them a "
            "thickness of some centimetres, or run with --no-bass"
        )


def areas_of(corners: Array) -> Array:
    """(m,) areas of (m, 3, 3) triangles."""
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(np.linalg.norm(across, axis=1) / 2)


def _first_of_equals(triangles: Ints) -> Bools:
    """The mesher takes one side of a sheet."""
    _, first = np.unique(np.sort(triangles, axis=1), axis=0, return_index=True)
    kept = np.zeros(len(triangles), bool)
    kept[first] = True
    return kept


def _place(point: Array) -> str:
    return "({:.2f}, {:.2f}, {:.2f}) m".format(*point)
