"""A hand-made result with maps: the invented bedroom, values as a function of the place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raysim.results.data import MAP_WINDOWS_S, Maps
from tests.report_made import result, scene

SIDE_M = 0.1


def made(level, level_error=0.0, time=-0.01, time_error=0.0, room=None, falls=None, arrives=None):
    """The bedroom with maps.

    `level(points)` gives the slope of each patch in dB/m2; `falls` and `arrives` the incident and
    arriving energy per m2 as a pair of value and error, each (patches,) or a number.
    """
    room = room or scene()
    size = np.array([f.size for f in room.facets])
    count = np.maximum(1, np.ceil(size / SIDE_M - 1e-9)).astype(np.int64)
    side = size / count
    first = np.concatenate([[0], np.cumsum(count.prod(axis=1))[:-1]])
    points, area = [], []
    for facet, (columns, rows), one in zip(room.facets, count, side, strict=True):
        v, u = np.divmod(np.arange(columns * rows), columns)
        flat = (np.stack([u, v], axis=-1) + 0.5) * one
        points.append(facet.origin + flat[:, :1] * facet.u + flat[:, 1:] * facet.v)
        area.append(np.full(len(flat), one.prod()))
    points, area = np.concatenate(points), np.concatenate(area)
    sources, receivers, bands = len(room.sources), len(room.receivers), len(room.bands_hz)
    shape = (len(area), sources, 2, receivers, bands)
    value, error = np.zeros(shape), np.zeros(shape)
    value[:, :, 0], value[:, :, 1] = level(points)[:, None, None, None], time
    error[:, :, 0], error[:, :, 1] = level_error, time_error
    windows = len(MAP_WINDOWS_S) + 1
    incident = _filled(falls, (len(area), sources, windows, bands))
    arriving = _filled(arrives, (len(area), sources, receivers, windows, bands))
    maps = Maps(
        first, count[:, 0].copy(), count[:, 1].copy(), side, area, 1, incident, arriving,
        (value, error), np.zeros(0),
    )  # fmt: skip
    return replace(result(room), maps=maps)


def _filled(pair, shape):
    pair = (1.0, 0.0) if pair is None else pair
    filled = (
        np.broadcast_to(np.transpose(np.broadcast_to(of, shape[:1])), shape[::-1]) for of in pair
    )
    return tuple(np.ascontiguousarray(of.T) for of in filled)


def spot(centre):
    """Slopes that fade with the distance from a point."""
    return lambda points: -5.0 * np.exp(-np.linalg.norm(points - centre, axis=1) / 0.3)
