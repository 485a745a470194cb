"""Maps: what falls on each patch of the room, and what its absorption would change."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import NDArray

from raysim.kernels.boundary import materials_at, reflect_each
from raysim.kernels.maps import Mapped, Patches, Wanted, map_rays, patches_at
from raysim.kernels.ray import Plan
from raysim.results.data import MAP_BOOKS, MAP_WINDOWS_S, Maps, Reflection
from raysim.scene.data import Facet, Scene
from raysim.scene.reflecting import cosines_along
from raysim.settings import BATCHES
from raysim.solvers.late import RAYS_A_ROUND, refuse_leaks
from raysim.solvers.pack import Packed
from raysim.theory.slopes import decay_time_slope, level_slope

Array = NDArray[np.float64]
SIDE_M = 0.1
GROUPS = 8  # of batches, whose spread gives the standard error
ROUNDS_AT_ONCE = 8  # of each group, so that its sums stay in the processor's cache


def grid_of(scene: Scene) -> tuple[Patches, Array]:
    """Patches of about SIDE_M on every facet, and the area (patches,) of each that is wall."""
    size = np.array([f.size for f in scene.facets])
    count = np.maximum(1, np.ceil(size / SIDE_M - 1e-9)).astype(np.int64)
    patches = Patches(
        np.concatenate([[0], np.cumsum(count.prod(axis=1))[:-1]]).astype(np.int64),
        np.ascontiguousarray(count[:, 0]),
        np.ascontiguousarray(count[:, 1]),
        size / count,
        np.ascontiguousarray([[f.origin, f.u, f.v] for f in scene.facets]),
    )
    areas = [
        _areas(f, n, side) for f, n, side in zip(scene.facets, count, patches.side, strict=True)
    ]
    return patches, np.concatenate(areas)


def _areas(facet: Facet, count: NDArray[np.int64], side: Array) -> Array:
    """(rows * columns,) m2 of each patch inside the facet's outline."""
    if count.prod() == 1:
        return np.array([facet.area])
    outline = shapely.Polygon(facet.outline[0], facet.outline[1:])
    v, u = np.meshgrid(np.arange(count[1]), np.arange(count[0]), indexing="ij")
    low = np.stack([u.ravel(), v.ravel()], axis=-1) * side
    cells = shapely.box(*low.T, *(low + side).T)
    area = shapely.area(cells)
    shapely.prepare(outline)
    cut = ~shapely.contains(outline, cells)
    area[cut] = shapely.area(shapely.intersection(cells[cut], outline))
    return np.asarray(area)


def map_room(
    scene: Scene,
    packed: Packed,
    plan: Plan,
    seed: int,
    rounds: int,
    energy: Array,
    reflections: list[Reflection],
    told: Callable[[float], None] = lambda _fraction: None,
) -> Maps:
    """Maps of a room in its one variant.

    Parameters
    ----------
    packed : Packed
        Of one variant.
    rounds : int
        Rounds of rays; the same rays as those of `late.trace_round`.
    energy : (source, receiver, band, time) float
        What the run found; quantities are differentiated there.
    reflections : list of Reflection
        Exact paths of this variant.
    told : callable, optional
        Called with the fraction done.
    """
    patches, area = grid_of(scene)
    weights = _weights(energy, reflections, plan.bin_s)
    weight = np.ascontiguousarray(np.nan_to_num(weights).swapaxes(-1, -2))
    wanted = Wanted(
        patches, packed.direct_m, np.array(MAP_WINDOWS_S), weight, (weight != 0.0).any(axis=-1)
    )
    sums = _sum_rays(packed, plan, wanted, len(area), seed, rounds, told)
    rays = rounds * RAYS_A_ROUND * BATCHES // GROUPS
    incident, arriving, slope = (_estimate(each, rays) for each in sums[:3])
    for path in reflections:
        _add_path(scene, packed, plan, patches, weights, path, arriving[0], slope[0])
    per_m2 = np.where(area > 0, area, np.nan)
    for each in (*incident, *arriving, *slope):
        each /= per_m2.reshape(-1, *(1,) * (each.ndim - 1))
    for each in slope:
        each[:, np.isnan(weights).any(axis=-1)] = np.nan
    return Maps(
        first=patches.first,
        columns=patches.columns,
        rows=patches.rows,
        side_m=patches.side,
        area_m2=area,
        rays=rays * GROUPS,
        incident=incident,
        arriving=arriving,
        slope=slope,
        books=sums.books.mean(axis=1) / rays,
    )


def _sum_rays(
    packed: Packed,
    plan: Plan,
    wanted: Wanted,
    patches: int,
    seed: int,
    rounds: int,
    told: Callable[[float], None],
) -> Mapped:
    """Sums over rays of each source and group."""
    sources, quantities, receivers, _, bands = wanted.weight.shape
    windows, groups = len(MAP_WINDOWS_S) + 1, (sources, GROUPS)
    sums = Mapped(
        np.zeros((*groups, windows, patches, bands)),
        np.zeros((*groups, receivers, windows, patches, bands)),
        np.zeros((*groups, quantities, receivers, patches, bands)),
        np.zeros((*groups, len(MAP_BOOKS), bands)),
    )
    lost, lost_ray = np.zeros(groups, np.int64), np.zeros((*groups, 6))
    for first in range(0, rounds, ROUNDS_AT_ONCE):
        map_rays(
            packed.room(plan),
            wanted,
            packed.sources,
            packed.emission,
            seed,
            BATCHES,
            (first, min(rounds, first + ROUNDS_AT_ONCE)),
            RAYS_A_ROUND,
            sums,
            lost,
            lost_ray,
        )
        told(min(1.0, (first + ROUNDS_AT_ONCE) / rounds))
    rays = rounds * RAYS_A_ROUND * BATCHES // GROUPS
    refuse_leaks(np.full(groups, rays), lost, lost_ray)
    return sums


def _estimate(groups: Array, rays: int) -> tuple[Array, Array]:
    """Mean a ray over groups (axis 1) of `rays` each and its standard error, patches first.

    What is left in `groups` is of no use.
    """
    mean, count = groups.mean(axis=1), groups.shape[1]
    groups -= mean[:, None]
    error = np.sqrt(np.einsum("ij...,ij...->i...", groups, groups) / (count * (count - 1)))
    value, error = (np.ascontiguousarray(np.moveaxis(a, -2, 0)) for a in (mean, error))
    return value / rays, error / rays


def _weights(energy: Array, reflections: list[Reflection], bin_s: float) -> Array:
    """(source, quantity, receiver, band, time): derivatives of MAP_QUANTITIES; NaN undefined."""
    reflected = energy.copy()
    for path in reflections:
        if path.order == 0:
            reflected[path.source, path.receiver, :, 0] -= path.energy
    first_ms = round(MAP_WINDOWS_S[0] / bin_s)
    silent = reflected[..., :first_ms].sum(axis=-1, keepdims=True) <= 0
    with np.errstate(invalid="ignore"):
        level = np.where(silent, np.nan, level_slope(reflected, 0, first_ms))
    return np.ascontiguousarray(np.stack([level, decay_time_slope(energy, bin_s)], axis=1))


def _add_path(
    scene: Scene,
    packed: Packed,
    plan: Plan,
    patches: Patches,
    weights: Array,
    path: Reflection,
    arriving: Array,
    slope: Array,
) -> None:
    """Add what one exact path brings to arriving : (patches, source, receiver, window, band) and
    slope : (patches, source, quantity, receiver, band).
    """
    if path.order == 0 or int(path.delay_s / plan.bin_s) >= weights.shape[-1]:
        return
    facets = np.array(path.facets, np.int64)
    at = np.empty(path.order, np.int64)
    patches_at(patches, facets, path.points, at)
    source, receiver = path.source, path.receiver
    window = int(np.searchsorted(MAP_WINDOWS_S, path.delay_s, side="right"))
    arriving[at[-1], source, receiver, window] += path.energy
    material = np.empty((1, path.order), np.int64)
    materials_at(packed.boundary, packed.cover, facets, path.points, material)
    leaving = path.points[0] - packed.sources[source]
    cosines = cosines_along(scene, leaving / np.linalg.norm(leaving), path.facets)
    change = np.nan_to_num(weights[source, :, receiver, :, int(path.delay_s / plan.bin_s)])
    for i, patch in enumerate(at):
        left = np.ones(len(path.energy))
        reflect_each(packed.boundary, material[0, i : i + 1], cosines[i : i + 1], left)
        inverse = np.divide(1.0, left, out=np.zeros_like(left), where=left > 0)
        slope[patch, source, :, receiver] -= change * path.energy * inverse
