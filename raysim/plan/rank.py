"""Which sites are worth computing: slopes of the room's maps, and the mirror paths they cover."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.plan.aim import Weights
from raysim.plan.bass import BassBench
from raysim.plan.places import Site, in_the_way
from raysim.quantities.places import map_bands, mean_slopes, noticeable
from raysim.quantities.reflections import judged_bands
from raysim.results.data import Maps, Result
from raysim.scene.workshop import Workshop
from raysim.theory.criteria import REFLECTION_LEVEL_DB, REFLECTION_WINDOW_S

Array = NDArray[np.float64]

LEAST_SHARE = 0.5
"""Of the candidates that an item would have if all had as many."""


def promise(
    workshop: Workshop,
    result: Result,
    weights: Weights,
    sites: Sequence[Site],
    bass: BassBench | None = None,
) -> Array:
    """(sites,) noticeable steps that each may bring, to first order; NaN for objects.

    Parameters
    ----------
    result : Result
        Of the bare room, with maps.
    bass : BassBench, optional
        With it, what covers take off the ringing of modes is added.
    """
    assert result.maps is not None
    bands = map_bands(result)
    slopes = mean_slopes(result).value if bands else np.zeros((len(result.maps.area_m2), 2))
    steps = noticeable(result) if bands else np.ones(2)
    worth = np.array([weights.reflections, weights.decay]) / np.where(
        np.isfinite(steps), steps, np.inf
    )
    slope = -(np.nan_to_num(slopes) * worth).sum(axis=1)
    rays = np.array([_of(workshop, result, bands, slope, weights, site) for site in sites])
    if bass is None or not weights.ringing:
        return rays
    ringing = [
        0.0 if site.name in bass.objects else weights.ringing * bass.promise(site.name)
        for site in sites
    ]
    return np.asarray(rays + ringing)


def most_promising(sites: Sequence[Site], promised: Array, most: int) -> list[Site]:
    """At most so many sites: every item keeps a share, objects come first within theirs.

    Sites of an item that lie over better ones of the same item come last.
    """
    order = [int(k) for k in np.argsort(-np.nan_to_num(promised, nan=np.inf), kind="stable")]
    items = list(dict.fromkeys(site.item.name for site in sites))
    share = max(1, int(LEAST_SHARE * most / max(1, len(items))))
    apart: list[int] = []
    for item in items:
        own: list[int] = []
        for k in (k for k in order if sites[k].item.name == item):
            if not any(in_the_way([sites[k], sites[m]])[0] for m in own):
                own.append(k)
        apart += own
    order = [k for k in order if k in apart] + [k for k in order if k not in apart]
    kept: list[int] = []
    for item in items:
        kept += [k for k in order if sites[k].item.name == item][:share]
    kept += [k for k in order if k not in kept][: max(0, most - len(kept))]
    return [sites[k] for k in sorted(kept[:most])]


def _of(
    workshop: Workshop,
    result: Result,
    bands: Sequence[int],
    slope: Array,
    weights: Weights,
    site: Site,
) -> float:
    if any(piece.treatment.is_object for piece in site.pieces):
        return float("nan")
    assert result.maps is not None
    scene = workshop.scene
    total = 0.0
    for piece in site.pieces:
        t = piece.treatment
        material = workshop.material_of(piece)
        wall = scene.materials[scene.surfaces[scene.facets[t.facet].surface].material]
        more = (material.absorption - wall.absorption)[list(bands)].mean() if bands else 0.0
        total += slope[_patches(result.maps, t.facet, t.rect)].mean() * more * t.area_m2
        total += weights.reflections * _covered(result, t.facet, t.rect, material.absorption)
    return float(total)


def _patches(maps: Maps, facet: int, rect: tuple[float, float, float, float]) -> list[int]:
    """Patches whose middle lies in a rectangle, or that of its middle."""
    columns, rows = int(maps.columns[facet]), int(maps.rows[facet])
    side_u, side_v = maps.side_m[facet]
    u = (np.arange(columns) + 0.5) * side_u
    v = (np.arange(rows) + 0.5) * side_v
    in_u = np.flatnonzero((u >= rect[0]) & (u <= rect[2]))
    in_v = np.flatnonzero((v >= rect[1]) & (v <= rect[3]))
    if not len(in_u):
        in_u = np.array([int(np.abs(u - (rect[0] + rect[2]) / 2).argmin())])
    if not len(in_v):
        in_v = np.array([int(np.abs(v - (rect[1] + rect[3]) / 2).argmin())])
    first = int(maps.first[facet])
    return [first + int(r) * columns + int(c) for r in in_v for c in in_u]


def _covered(
    result: Result, facet: int, rect: tuple[float, float, float, float], absorption: Array
) -> float:
    """Decibels above the criterion that covering the paths in a rectangle takes, a pair."""
    scene, judged = result.scene, judged_bands(result.scene)
    pairs = len(scene.sources) * len(scene.receivers)
    taken = 0.0
    for path in result.reflections:
        bands = judged[path.source]
        if not (path.order and bands and path.delay_s <= REFLECTION_WINDOW_S):
            continue
        for met, point in zip(path.facets, path.points, strict=True):
            u, v = scene.facets[met].to_plane(point)
            if met == facet and rect[0] <= u <= rect[2] and rect[1] <= v <= rect[3]:
                excess = max(0.0, float(path.level_db[bands].max()) - REFLECTION_LEVEL_DB)
                loss = -10 * np.log10(np.maximum(1e-3, 1 - absorption[bands])).min()
                taken += min(excess, float(loss))
    return taken / pairs
