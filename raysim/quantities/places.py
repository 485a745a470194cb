"""Where the next square metre of absorber belongs: the maps' slopes, averaged and searched.

A slope is the change of a quantity for a square metre of absorption area more, spread over a
place. Here it is the mean over the bands above the Schroeder frequency, over the sources that play
them and over receivers. These share rays, so their errors are averaged as if all erred together,
which is the most they can. Different patches are taken to err on their own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from raysim.quantities.evaluation import average
from raysim.quantities.validity import ray_validity, states_decay
from raysim.results.data import MAP_QUANTITIES, Maps, Result
from raysim.scene import playing
from raysim.scene.collisions import place_of_zone
from raysim.scene.data import Scene
from raysim.scene.solids import Solid, reach_into, reach_into_triangles, slab, solid
from raysim.theory.noticeable import STEPS

Array = NDArray[np.float64]
Rect = tuple[float, float, float, float]
Block = tuple[int, int, int, int]

PLACE_M = 0.6
LEAST_FILLED = 0.9
PANEL_DEPTH_M = 0.1
SURE = 3.0
"""A number is known where it is at least so many standard errors from zero."""
RANKED_BELOW = 2.0
ROUNDING = 1e-12


@dataclass(frozen=True)
class Slopes:
    """Change of each of MAP_QUANTITIES for a square metre of absorption area more.

    Attributes
    ----------
    value, error : (n, 2) float
        dB/m2 and s/m2; NaN where there is no surface, or no band above the Schroeder frequency in
        which the quantity is defined; that of T20 also where the room is too small to state it.
    """

    value: Array
    error: Array


@dataclass(frozen=True)
class Places:
    """Squares of about 0.6 m on the surfaces of the room, one at each step of a patch.

    Attributes
    ----------
    facet : (n,) int
        Index into the facets of the first variant.
    rect : (n, 4) float
        Low u, low v, high u, high v on the facet, m.
    slopes : Slopes
    steps, steps_error : (n,) float
        Noticeable steps gained for a square metre: both quantities, each over its own step, where
        less counts as gain.
    """

    facet: NDArray[np.int64]
    rect: Array
    slopes: Slopes
    steps: Array
    steps_error: Array


def map_bands(result: Result) -> list[int]:
    """Indices of the bands that are averaged: above the Schroeder frequency, and played."""
    sounding = playing.plays(result.scene).any(axis=0)
    return [int(b) for b in np.flatnonzero(ray_validity(result)[0, 0, 0] & sounding)]


def mean_slopes(result: Result, bands: Sequence[int] | None = None) -> Slopes:
    """Slopes of every patch.

    Parameters
    ----------
    bands : sequence of int, optional
        Indices of those to average; by default `map_bands`.

    Raises
    ------
    ValueError
        If the result has no maps.
    """
    maps = _maps(result)
    bands = list(map_bands(result) if bands is None else bands)
    value, error = (np.moveaxis(of, 2, 1)[..., bands] for of in maps.slope)
    sounding = playing.plays(result.scene)[:, None, bands]
    counts = np.broadcast_to(sounding, value.shape[2:]).ravel()
    value, error = (of.reshape(*of.shape[:2], -1) for of in (value, error))
    is_defined = np.isfinite(value[maps.area_m2 > 0]).all(axis=0) & counts
    if not states_decay(result):
        is_defined[MAP_QUANTITIES.index("T20")] = False
    count = is_defined.sum(axis=-1)
    with np.errstate(invalid="ignore"):
        means = [np.where(is_defined, of, 0.0).sum(axis=-1) / count for of in (value, error)]
    blank = (maps.area_m2 <= 0)[:, None]
    return Slopes(*(np.where(blank, np.nan, mean) for mean in means))


def smoothed(maps: Maps, facet: int, value: Array, error: Array, step: float) -> Array:
    """Map of one facet in blocks no finer than its errors allow: the values of `in_blocks`."""
    return in_blocks(maps, facet, value, error, step)[0]


def in_blocks(
    maps: Maps,
    facet: int,
    value: Array,
    error: Array,
    step: float,
    event: float = 0.0,
    sure: float = SURE,
) -> tuple[Array, Array]:
    """Map of one facet in blocks no finer than its errors allow.

    The facet is halved again and again, the longer side first, as long as both halves are known:
    their error times `sure` is at most their value, or `step` where the value is smaller. What
    isn't known even as a whole is NaN, as is what is no surface.

    Parameters
    ----------
    value, error : (patches,) float
        Of one quantity, for all patches of the room.
    step : float
        A difference that matters, such as a step of the scale of colours.
    event : float
        What one ray typically brings, value times m2; added as a square to the error of each
        block, for a block that no ray met isn't known to be zero.
    sure : float
        How many standard errors must fit into a value.

    Returns
    -------
    value, error : (rows, columns) float
        Mean over the block in which each patch lies, and its standard error.
    """
    grid = (int(maps.rows[facet]), int(maps.columns[facet]))
    own = slice(int(maps.first[facet]), int(maps.first[facet]) + grid[0] * grid[1])
    area = maps.area_m2[own].reshape(grid)
    weighted = [np.where(area > 0, of[own].reshape(grid) * area, 0.0) for of in (value, error)]
    sums = [_summed(of).tolist() for of in (weighted[0], weighted[1] ** 2, area)]

    def is_known(block: Block) -> bool:
        whole, square, surface = (_within(table, block) for table in sums)
        return sure * _root(square, event) <= max(abs(whole), step * surface) + ROUNDING

    drawn, unsure = np.full(grid, np.nan), np.full(grid, np.nan)
    blocks = [(0, grid[0], 0, grid[1])]
    while blocks:
        block = blocks.pop()
        halves = _halves(block)
        if halves and all(is_known(half) for half in halves):
            blocks += halves
            continue
        total = _within(sums[2], block)
        if total > 0 and is_known(block):
            r0, r1, c0, c1 = block
            drawn[r0:r1, c0:c1] = _within(sums[0], block) / total
            unsure[r0:r1, c0:c1] = _root(_within(sums[1], block), event) / total
    is_surface = area > 0
    return np.where(is_surface, drawn, np.nan), np.where(is_surface, unsure, np.nan)


def find_places(result: Result) -> Places:
    """Every square on the surfaces of the room that is at least nine tenths surface.

    Raises
    ------
    ValueError
        If the result has no maps.
    """
    maps, scene, patches = _maps(result), result.scene_in(0), mean_slopes(result)
    found = [
        _on_facet(maps, facet, patches)
        for facet, one in enumerate(scene.facets)
        if scene.surfaces[one.surface].owner == "room"
    ]
    facet, rect, value, error = (np.concatenate(parts) for parts in zip(*found, strict=True))
    steps = noticeable(result)
    known = np.isfinite(steps)
    return Places(
        facet=facet,
        rect=rect,
        slopes=Slopes(value, error),
        steps=-(value[:, known] / steps[known]).sum(axis=1),
        steps_error=(error[:, known] / steps[known]).sum(axis=1),
    )


def noticeable(result: Result) -> Array:
    """(2,) noticeable step of each of MAP_QUANTITIES; that of T20 is NaN where T20 is undefined."""
    bands = [result.scene.bands_hz[b] for b in map_bands(result)]
    t20 = average(result, "T20", bands).value[0] if bands else np.nan
    return np.array([STEPS["reflection"].at(np.zeros(1))[0], STEPS["T20"].at(np.array(t20))])


def best_places(result: Result, places: Places, most: int = 10) -> list[int]:
    """Indices of the best places that don't overlap, the best first.

    They are ranked by what is sure, the gain less two standard errors: among thousands the
    highest gain would be the luckiest. Left out are those whose gain is less than three standard
    errors, and those where a panel of 0.1 m would reach into furniture, a keep-clear zone or the
    swing of its door.
    """
    scene = result.scene_in(0)
    zones, furniture = _zones(scene), _furniture(scene)
    known = np.flatnonzero(places.steps > SURE * places.steps_error)
    sure = places.steps[known] - RANKED_BELOW * places.steps_error[known]
    chosen: list[int] = []
    for i in known[np.argsort(-sure, kind="stable")]:
        if len(chosen) == most:
            break
        if any(_overlap(places, i, k) for k in chosen):
            continue
        rect = places.rect[i]
        facet = scene.facets[places.facet[i]]
        body = solid(slab(facet, (rect[0], rect[1], rect[2], rect[3]), 0.0, PANEL_DEPTH_M))
        is_free = all(reach_into(body, zone) <= 0 for zone in zones)
        if is_free and (reach_into_triangles(body, furniture) <= ROUNDING).all():
            chosen.append(int(i))
    return chosen


def _maps(result: Result) -> Maps:
    if result.maps is None:
        raise ValueError("the result has no maps; run it with maps on")
    return result.maps


def _halves(block: Block) -> list[Block]:
    r0, r1, c0, c1 = block
    if r1 - r0 >= c1 - c0 and r1 - r0 > 1:
        middle = (r0 + r1) // 2
        return [(r0, middle, c0, c1), (middle, r1, c0, c1)]
    if c1 - c0 > 1:
        middle = (c0 + c1) // 2
        return [(r0, r1, c0, middle), (r0, r1, middle, c1)]
    return []


def _summed(of: Array) -> Array:
    """(rows + 1, columns + 1) sums of all that lies above and left of each corner."""
    return np.pad(of.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))


def _within(table: list[list[float]], block: Block) -> float:
    """Sum over a block."""
    r0, r1, c0, c1 = block
    return table[r1][c1] - table[r0][c1] - table[r1][c0] + table[r0][c0]


def _root(square: float, event: float) -> float:
    return math.sqrt(max(0.0, square) + event**2)


def _on_facet(
    maps: Maps, facet: int, patches: Slopes
) -> tuple[NDArray[np.int64], Array, Array, Array]:
    """Facet, rect, value and error of every square on a facet, in the order of its patches."""
    grid = (int(maps.rows[facet]), int(maps.columns[facet]))
    own = slice(int(maps.first[facet]), int(maps.first[facet]) + grid[0] * grid[1])
    side_u, side_v = maps.side_m[facet]
    wide, tall = max(1, round(PLACE_M / side_u)), max(1, round(PLACE_M / side_v))
    if wide > grid[1] or tall > grid[0]:
        return np.zeros(0, np.int64), np.zeros((0, 4)), np.zeros((0, 2)), np.zeros((0, 2))

    def summed(of: Array) -> Array:
        windows = sliding_window_view(of.reshape(grid), (tall, wide))
        return np.asarray(windows.sum(axis=(2, 3)).ravel())

    area = maps.area_m2[own]
    total = summed(area)
    kept = total >= LEAST_FILLED * wide * tall * side_u * side_v
    v, u = np.divmod(np.arange(len(total)), grid[1] - wide + 1)
    low = np.stack([u * side_u, v * side_v], axis=-1)
    high = np.stack([(u + wide) * side_u, (v + tall) * side_v], axis=-1)
    rect = np.hstack([low, high])[kept]
    # A patch that is no surface counts for nothing; one whose slope is undefined spoils its square.
    weighted = [
        np.where((area > 0)[:, None], of[own], 0.0) for of in (patches.value, patches.error)
    ]
    numbers = range(len(MAP_QUANTITIES))
    value = [summed(weighted[0][:, q] * area)[kept] / total[kept] for q in numbers]
    error = [np.sqrt(summed((weighted[1][:, q] * area) ** 2)[kept]) / total[kept] for q in numbers]
    return (
        np.full(len(rect), facet, np.int64),
        rect,
        np.stack(value, axis=-1),
        np.stack(error, axis=-1),
    )


def _overlap(places: Places, i: int, k: int) -> bool:
    if places.facet[i] != places.facet[k]:
        return False
    one, other = places.rect[i], places.rect[k]
    reach = np.minimum(one[2:], other[2:]) - np.maximum(one[:2], other[:2])
    return bool((reach > 1e-9).all())


def _furniture(scene: Scene) -> Array:
    """(m, 3, 3) triangles of what stands in the room."""
    stands = np.array([surface.owner != "room" for surface in scene.surfaces])
    corners: Array = scene.mesh.corners[stands[scene.mesh.surface]]
    return corners


def _zones(scene: Scene) -> list[Solid]:
    bodies: list[Solid] = []
    for zone in scene.keep_clear:
        place = place_of_zone(scene, zone, ())
        bodies += [place.front] if place.swing is None else [place.front, place.swing]
    return bodies
