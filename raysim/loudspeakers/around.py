"""Measured directions all around a loudspeaker, brought to the common table."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from raysim.loudspeakers.directivity import AHEAD, SHAPE, grid

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LARGEST_GAP_DEG = 25.0
SAME_DEG = 0.05
CHUNK = 128


def spread(points: Array, energy: Array) -> Array:
    """Energies at scattered directions to the common table, (72, 37, bands), 1 on the axis.

    Linear within the triangles between neighbouring directions (convex hull of the unit vectors).

    Parameters
    ----------
    points : (n, 3) float
        Unit vectors ahead, right, top; each direction once.
    energy : (n, bands) float, more than 0

    Raises
    ------
    ValueError
        Directions that leave a gap; one sentence that says where.
    """
    triangles = _triangles(points)
    inverse = np.linalg.inv(points[triangles].transpose(0, 2, 1))
    wanted = grid().reshape(-1, 3)
    flat = np.empty((len(wanted), energy.shape[1]))
    for start in range(0, len(wanted), CHUNK):
        part = wanted[start : start + CHUNK]
        weight = np.einsum("tij,kj->kti", inverse, part)
        weight /= np.abs(weight).sum(axis=2, keepdims=True)
        holder = weight.min(axis=2).argmax(axis=1)
        share = np.clip(weight[np.arange(len(part)), holder], 0, None)
        share /= share.sum(axis=1, keepdims=True)
        flat[start : start + CHUNK] = np.einsum("ki,kib->kb", share, energy[triangles[holder]])
    table = flat.reshape(*SHAPE, -1)
    return np.ascontiguousarray(table / table[AHEAD])


def merged(points: Array, energy: Array) -> tuple[Array, Array, float]:
    """Directions closer than 0.05 degrees joined; the largest spread among them in dB."""
    label = np.full(len(points), -1)
    kept: list[int] = []
    for k, point in enumerate(points):
        if label[k] < 0:
            same = (points @ point > np.cos(np.radians(SAME_DEG))) & (label < 0)
            label[same] = len(kept)
            kept.append(k)
    ends = [np.full((len(kept), energy.shape[1]), start) for start in (np.inf, 0.0)]
    np.minimum.at(ends[0], label, energy)
    np.maximum.at(ends[1], label, energy)
    total = np.zeros_like(ends[0])
    np.add.at(total, label, energy)
    mean = total / np.bincount(label)[:, None]
    return points[kept], mean, float(10 * np.log10((ends[1] / ends[0]).max()))


def _triangles(points: Array) -> Ints:
    """(t, 3) indices of neighbouring directions that cover the sphere without large gaps."""
    too_few = (
        f"{len(points)} directions don't surround the loudspeaker; give them over the whole sphere"
    )
    if len(points) < 4:
        raise ValueError(too_few)
    try:
        hull = ConvexHull(points)
    except QhullError:
        raise ValueError(too_few) from None
    normal, distance = hull.equations[:, :3], -hull.equations[:, 3]
    # A face's plane at distance cos(g) from the centre leaves a gap of g around its normal.
    widest = int(distance.argmin())
    gap = np.degrees(np.arccos(np.clip(distance[widest], -1, 1)))
    if gap > LARGEST_GAP_DEG:
        azimuth, elevation = angles_deg(normal[widest])
        raise ValueError(
            f"no direction within {gap:.0f} degrees of azimuth {azimuth:.0f}, elevation "
            f"{elevation:.0f}; give directions all around, each within {LARGEST_GAP_DEG:g} "
            "degrees of any point of the sphere"
        )
    return np.asarray(hull.simplices, dtype=np.int64)


def angles_deg(direction: Array) -> tuple[float, float]:
    """Azimuth (right positive, -180 to 180) and elevation of a vector ahead, right, top."""
    ahead, right, top = direction
    azimuth = np.degrees(np.arctan2(right, ahead))
    return float(azimuth), float(np.degrees(np.arctan2(top, np.hypot(ahead, right))))
