"""Specular paths in any room by brute force: every sequence of facets, every leg tested
against every triangle, nothing pruned (Borish 1984).

A room is given as bare arrays: corners (m, 3, 3) of the triangles in m, with normals by the
right-hand rule into the air, and the facet (m,) each belongs to. Triangles of a facet are
coplanar.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

MARGIN_M = 1e-9


@dataclass(frozen=True)
class Path:
    """A specular path: facets met in order from the source, points (order, 3), length in m."""

    facets: tuple[int, ...]
    points: np.ndarray
    length: float

    def energy(self, absorption, scattering, attenuation):
        """(bands,) re the free field at 10 m; coefficients (facets, bands), air (bands,)."""
        kept = np.ones_like(np.asarray(attenuation, dtype=float))
        for facet in self.facets:
            kept = kept * (1 - absorption[facet]) * (1 - scattering[facet])
        return 100.0 * kept * np.exp(-attenuation * self.length) / self.length**2


def planes(corners, facet):
    """Unit normals (f, 3) and offsets (f,) so that x @ normal == offset on the facet."""
    count = int(facet.max()) + 1
    normals, offsets = np.zeros((count, 3)), np.zeros(count)
    for number in range(count):
        own = corners[facet == number]
        crosses = np.cross(own[:, 1] - own[:, 0], own[:, 2] - own[:, 0])
        largest = np.argmax(np.linalg.norm(crosses, axis=1))
        normals[number] = crosses[largest] / np.linalg.norm(crosses[largest])
        offsets[number] = own[largest, 0] @ normals[number]
    return normals, offsets


def crossings(corners, start, end):
    """Fractions (k,) of the segment at which it passes through a triangle, and which (k,)."""
    direction = end - start
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    slope = normal @ direction
    inside = slope != 0
    fraction = np.einsum("ij,ij->i", normal, a - start) / np.where(inside, slope, 1.0)
    point = start + fraction[:, None] * direction
    for p, q in ((a, b), (b, c), (c, a)):
        inside &= np.einsum("ij,ij->i", np.cross(q - p, point - p), normal) >= 0
    which = np.flatnonzero(inside)
    return fraction[which], which


def is_clear(corners, start, end):
    """No triangle strictly between the two points."""
    length = np.linalg.norm(end - start)
    fraction, _ = crossings(corners, start, end)
    margin = MARGIN_M / length
    return not np.any((fraction > margin) & (fraction < 1 - margin))


def _follow(corners, facet, normals, offsets, sequence, source, receiver):
    """Points of the path over `sequence`, or None where a facet isn't met or a leg is blocked."""
    images = [source]
    for number in sequence:
        height = images[-1] @ normals[number] - offsets[number]
        images.append(images[-1] - 2 * height * normals[number])
    points, end = [], receiver
    for number, image in zip(reversed(sequence), reversed(images), strict=False):
        fraction, _ = crossings(corners[facet == number], end, image)
        if len(fraction) == 0 or not MARGIN_M < fraction[0] < 1:
            return None
        end = end + fraction[0] * (image - end)
        points.append(end)
    points.reverse()
    legs = [source, *points, receiver]
    for number, (before, after) in zip(
        sequence, zip(legs[:-2], legs[2:], strict=True), strict=True
    ):
        for neighbour in (before, after):
            if neighbour @ normals[number] - offsets[number] <= MARGIN_M:
                return None
    if all(is_clear(corners, *leg) for leg in itertools.pairwise(legs)):
        return np.array(points).reshape(-1, 3)
    return None


def specular_paths(corners, facet, source, receiver, order):
    """Every visible specular path with at most `order` reflections, the direct one included."""
    normals, offsets = planes(corners, facet)
    found = []
    for length in range(order + 1):
        for sequence in itertools.product(range(len(normals)), repeat=length):
            if any(a == b for a, b in itertools.pairwise(sequence)):
                continue
            points = _follow(corners, facet, normals, offsets, sequence, source, receiver)
            if points is not None:
                legs = np.diff(np.vstack([source, points, receiver]), axis=0)
                found.append(Path(sequence, points, float(np.linalg.norm(legs, axis=1).sum())))
    return found
