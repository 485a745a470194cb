"""The room in 3-D as arrays: patches in groups that are hidden together, and lines over them.

Coordinates are to the right, to the front and up, which turn alike in rooms of either handedness.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from raysim.quantities.reflections import place_on
from raysim.report.elevations import (
    MOST_FACETS_OF_A_SURFACE,
    area_of,
    pieces_of_surfaces,
)
from raysim.report.listed import facet_name, in_words
from raysim.results.data import Maps, Result
from raysim.scene.data import Facet, Scene
from raysim.scene.solids import edge_lines

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

FULL = 1 - 1e-6
SMALLEST_M2 = 1e-6


@dataclass(frozen=True)
class Group:
    """Patches that face about one way: seen from behind they are hidden.

    Attributes
    ----------
    vertices : (n, 3) float, m
        Shared by no two patches.
    patch : (n,) int
        Patch of the room to which each vertex belongs.
    triangles : (m, 3) int
    normal : (3,) float
        Into the room; zeros for what stands in it and is never hidden.
    centre : (3,) float
    """

    vertices: Array
    patch: Ints
    triangles: Ints
    normal: Array
    centre: Array


def seen(scene: Scene, points: Array) -> Array:
    """(..., 3) points or directions as right, front, up."""
    axes = np.stack([scene.right_of(scene.front), scene.front, [0.0, 0.0, 1.0]], axis=-1)
    return np.asarray(points @ axes)


def groups_of_patches(result: Result) -> list[Group]:
    """All patches with surface, by the side of the room on which their facets lie."""
    assert result.maps is not None
    scene, maps = result.scene_in(0), result.maps
    sides: dict[tuple[int, ...], list[int]] = {}
    for number, facet in enumerate(scene.facets):
        stands = scene.surfaces[facet.surface].owner != "room"
        way = seen(scene, facet.normal)
        side = (0, 0, 0) if stands else tuple(int(x) for x in np.round(way / np.abs(way).max()))
        sides.setdefault(side, []).append(number)
    return [_group(scene, maps, members, any(side)) for side, members in sides.items()]


def _group(scene: Scene, maps: Maps, members: Sequence[int], is_wall: bool) -> Group:
    parts = [_patches(scene.facets[k], maps, k) for k in members]
    starts = np.cumsum([0, *(len(points) for points, *_ in parts)])
    vertices = seen(scene, np.concatenate([points for points, *_ in parts]))
    area = np.array([scene.facets[k].area for k in members])
    normals = seen(scene, np.array([scene.facets[k].normal for k in members]))
    return Group(
        vertices=vertices,
        patch=np.concatenate([patch for _, patch, _ in parts]),
        triangles=np.concatenate(
            [triangles + start for (_, _, triangles), start in zip(parts, starts, strict=False)]
        ),
        normal=area @ normals / area.sum() if is_wall else np.zeros(3),
        centre=(vertices.min(axis=0) + vertices.max(axis=0)) / 2,
    )


def _patches(facet: Facet, maps: Maps, number: int) -> tuple[Array, Ints, Ints]:
    """Vertices, their patches, and triangles: a square each, cut to the facet's outline."""
    first, columns, rows = (int(of[number]) for of in (maps.first, maps.columns, maps.rows))
    side = maps.side_m[number]
    row, column = np.divmod(np.arange(columns * rows), columns)
    low = np.stack([column, row], axis=-1) * side
    area = maps.area_m2[first : first + columns * rows]
    full = area >= FULL * side.prod()
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    flat = [(low[full][:, None] + corners * side).reshape(-1, 2)]
    patch = [np.repeat(np.flatnonzero(full), 4)]
    squares = 4 * np.arange(int(full.sum()))[:, None, None]
    triangles = [(squares + np.array([[0, 1, 2], [0, 2, 3]])).reshape(-1, 3)]
    count = len(flat[0])
    outline = area_of(facet)
    for k in np.flatnonzero(~full & (area > SMALLEST_M2)):
        cell = shapely.box(*low[k], *(low[k] + side))
        for piece in shapely.constrained_delaunay_triangles(outline.intersection(cell)).geoms:
            flat.append(np.asarray(piece.exterior.coords)[:3])
            patch.append(np.full(3, k))
            triangles.append(np.arange(count, count + 3)[None])
            count += 3
    uv = np.concatenate(flat)
    points = facet.origin + np.outer(uv[:, 0], facet.u) + np.outer(uv[:, 1], facet.v)
    return points, first + np.concatenate(patch), np.concatenate(triangles)


def places_in_words(result: Result) -> list[str]:
    """Surface and place of the middle of every patch, from the floor and the nearer edges."""
    assert result.maps is not None
    scene, maps = result.scene_in(0), result.maps
    words = []
    for number, facet in enumerate(scene.facets):
        count = int(maps.columns[number] * maps.rows[number])
        row, column = np.divmod(np.arange(count), int(maps.columns[number]))
        middle = (np.stack([column, row], axis=-1) + 0.5) * maps.side_m[number]
        area = maps.area_m2[maps.first[number] : maps.first[number] + count]
        for at, is_surface in zip(middle, area > SMALLEST_M2, strict=True):
            point = facet.origin + at[0] * facet.u + at[1] * facet.v
            place = in_words(scene, number, place_on(scene, facet, point), point)
            words.append(f"{facet_name(scene, number)}: {place}" if is_surface else "")
    return words


def outlines(scene: Scene) -> list[Array]:
    """Closed loops (k, 3) of all facets but those of surfaces of many facets, as curved ones."""
    loops = []
    count = pieces_of_surfaces(scene)
    for facet in scene.facets:
        if count[facet.surface] > MOST_FACETS_OF_A_SURFACE:
            continue
        for loop in facet.outline:
            closed = np.vstack([loop, loop[:1]])
            points = (
                facet.origin + np.outer(closed[:, 0], facet.u) + np.outer(closed[:, 1], facet.v)
            )
            loops.append(seen(scene, points))
    return loops


def pieces(scene: Scene, treatments: Sequence[int]) -> list[tuple[str, Array]]:
    """Name and edges (e, 2, 3) of each treatment's body."""
    return [
        (scene.treatments[k].name, seen(scene, edge_lines(scene.treatments[k].corners)))
        for k in treatments
    ]
