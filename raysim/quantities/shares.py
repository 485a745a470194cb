"""Where sound falls and where it comes from, as multiples of the mean over the room's surfaces.

1 everywhere is an even spread. Values are means over the sources that play and over the bands asked
for, each band over its own mean. Sources share start directions and bands share rays, so their
errors are averaged as if all erred together, the most they can; the mean over the surfaces counts
as known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.results.data import MAP_WINDOWS_S, Maps, Result
from raysim.scene.playing import counting

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Share:
    """A map of energy over its own mean.

    Attributes
    ----------
    value, error : (patches,) float
        Multiples of the mean over all surfaces, and their standard errors; NaN where the patch
        is no surface, and everywhere if nothing came.
    exact : (patches,) float
        Part of `value` that exact mirror paths bring: without sampling error.
    event : float
        What one ray typically brings, m2: a patch without any is known no better than this over
        its area.
    """

    value: Array
    error: Array
    exact: Array
    event: float


def incident_share(result: Result, window: int, bands: Sequence[int]) -> Share:
    """Energy that falls on each patch in one of the windows of `MAP_WINDOWS_S`.

    Parameters
    ----------
    window : int
        0 is up to the first limit, 1 up to the second, 2 later.
    bands : sequence of int
        Indices of bands to average.

    Raises
    ------
    ValueError
        If the result has no maps.
    """
    maps = _maps(result)
    counts = counting(result.scene)[:, bands]
    value, error = (of[:, :, window][..., bands].mean(axis=1, where=counts) for of in maps.incident)
    return _over_mean(maps, value, error, np.zeros_like(value))


def arriving_share(result: Result, receiver: int, window: int, bands: Sequence[int]) -> Share:
    """Energy that reaches a receiver by way of each patch last, in one of the windows.

    Raises
    ------
    ValueError
        If the result has no maps.
    """
    maps = _maps(result)
    counts = counting(result.scene)[:, bands]
    value, error = (
        of[:, :, receiver, window][..., bands].mean(axis=1, where=counts) for of in maps.arriving
    )
    exact = np.zeros_like(value)
    limits = (0.0, *MAP_WINDOWS_S, np.inf)
    for path in result.reflections:
        is_here = limits[window] <= path.delay_s < limits[window + 1]
        if path.variant == 0 and path.receiver == receiver and path.order > 0 and is_here:
            patch = patch_at(result, path.facets[-1], path.points[-1])
            played = np.where(counts[path.source], path.energy[list(bands)], 0.0)
            exact[patch] += played / maps.area_m2[patch]
    exact = np.minimum(exact / counts.sum(axis=0), np.nan_to_num(value))
    return _over_mean(maps, value, error, exact)


def patch_at(result: Result, facet: int, point: Array) -> int:
    """Number of the patch of a facet in which a point (3,) lies."""
    maps, frame = _maps(result), result.scene_in(0).facets[facet]
    column, row = np.floor(frame.to_plane(point) / maps.side_m[facet]).astype(int)
    column = min(max(int(column), 0), int(maps.columns[facet]) - 1)
    row = min(max(int(row), 0), int(maps.rows[facet]) - 1)
    return int(maps.first[facet]) + row * int(maps.columns[facet]) + column


def _over_mean(maps: Maps, value: Array, error: Array, exact: Array) -> Share:
    """From (patches, bands) per m2."""
    is_surface = maps.area_m2 > 0
    area = np.where(is_surface, maps.area_m2, 0.0)
    mean = area @ np.where(is_surface[:, None], value, 0.0) / area.sum()
    with np.errstate(invalid="ignore", divide="ignore"):
        value, error, exact = (
            np.where(mean > 0, of / mean, np.nan).mean(axis=1) for of in (value, error, exact)
        )
    value, error = (np.where(is_surface, of, np.nan) for of in (value, error))
    exact = np.where(is_surface, exact, 0.0)
    by_rays = float(np.nansum((value - exact) * area))
    event = float(np.nansum((error * area) ** 2)) / by_rays if by_rays > 0 else 0.0
    return Share(value, error, exact, event)


def _maps(result: Result) -> Maps:
    if result.maps is None:
        raise ValueError("the result has no maps; run it with maps on")
    return result.maps
