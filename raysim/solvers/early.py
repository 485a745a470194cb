"""Early sound: exact image sources and their energy."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.boundary import materials_at, reflect_each
from raysim.kernels.images import find_paths
from raysim.results.data import Reflection
from raysim.scene.data import UP, Receiver, Scene
from raysim.scene.reflecting import cosines_along
from raysim.solvers.emission import energy_towards
from raysim.solvers.pack import Packed

Array = NDArray[np.float64]
SEQUENCES = 3_000_000  # facet sequences times receivers and sources that a few seconds allow
HIGHEST_ORDER = 6


def affordable_order(facets: int, pairs: int) -> int:
    """Highest image order whose facet sequences stay within SEQUENCES for all pairs."""
    order, sequences = 0, 1.0
    while order < HIGHEST_ORDER:
        sequences *= facets if order == 0 else max(facets - 1, 1)
        if sequences * pairs > SEQUENCES:
            break
        order += 1
    return order


def find_reflections(
    scene: Scene, packed: Packed, order: int, longest_m: float
) -> list[Reflection]:
    """Every specular path up to `order` reflections and `longest_m`, by source then time."""
    found: list[Reflection] = []
    for source in range(len(packed.sources)):
        paths = _paths(packed, source, order, longest_m)
        here = [r for path in paths for r in _reflections(scene, packed, source, *path)]
        found += sorted(here, key=lambda r: (r.variant, r.receiver, r.length_m, r.facets))
    return found


def _paths(
    packed: Packed, source: int, order: int, longest_m: float
) -> Iterator[tuple[int, tuple[int, ...], Array, float]]:
    room = 1024
    while True:
        receiver = np.empty(room, np.int64)
        facets = np.full((room, max(order, 1)), -1, np.int64)
        points = np.full((room, max(order, 1), 3), np.nan)
        length = np.empty(room)
        count = find_paths(
            packed.tree,
            packed.planes,
            packed.sources[source : source + 1],
            packed.receivers.position,
            order,
            longest_m,
            receiver,
            facets,
            points,
            length,
        )
        if count <= room:
            break
        room = count
    for i in range(count):
        sequence = tuple(int(f) for f in facets[i] if f >= 0)
        yield int(receiver[i]), sequence, points[i, : len(sequence)].copy(), float(length[i])


def _reflections(
    scene: Scene,
    packed: Packed,
    source: int,
    receiver: int,
    facets: tuple[int, ...],
    points: Array,
    length_m: float,
) -> list[Reflection]:
    """One path in every variant: energy 100/r^2 * D * prod (1 - a)(1 - s) * exp(-m r).

    D is the source's energy re its axis in the direction in which the path leaves it; absorption
    a and scattering s are those of what the variant has at each point; layered surfaces absorb
    by the angle of incidence.
    """
    listener = scene.receivers[receiver]
    targets = np.stack([points[0] if facets else listener.position, listener.position])
    leaving = targets - packed.sources[source]
    leaving /= np.linalg.norm(leaving, axis=1, keepdims=True)
    sent, sent_directly = energy_towards(packed.emission, source, leaving)
    arriving = 100.0 / length_m**2 * sent * np.exp(-packed.attenuation * length_m)
    direct_m = packed.direct_m[source, receiver]
    direct = 100.0 / direct_m**2 * sent_directly * np.exp(-packed.attenuation * direct_m)
    came_from = points[-1] if facets else packed.sources[source]
    azimuth, elevation = _angles(scene, listener, came_from)
    found = []
    for variant, left in enumerate(_left(scene, packed, leaving[0], facets, points)):
        energy = arriving * left
        with np.errstate(divide="ignore"):
            level = 10 * np.log10(energy / direct)
        found.append(
            Reflection(
                variant=variant,
                source=source,
                receiver=receiver,
                facets=facets,
                points=points,
                length_m=length_m,
                delay_s=max(0.0, length_m - direct_m) / packed.speed,
                energy=energy,
                level_db=level,
                azimuth_deg=azimuth,
                elevation_deg=elevation,
            )
        )
    return found


def _left(
    scene: Scene, packed: Packed, direction: Array, facets: tuple[int, ...], points: Array
) -> Array:
    """(variants, bands) share of its energy that a path keeps, prod (1 - a)(1 - s)."""
    boundary, order = packed.boundary, len(facets)
    material = np.empty((packed.cover.present.shape[1], order), np.int64)
    at = np.array(facets, np.int64)
    materials_at(boundary, packed.cover, at, points.reshape(-1, 3), material)
    cosines = cosines_along(scene, direction, facets)
    left = np.ones((len(material), len(packed.attenuation)))
    for own, energy in zip(material, left, strict=True):
        reflect_each(boundary, own, cosines, energy)
        energy *= (1.0 - boundary.scattering[own][:, boundary.band_class]).prod(axis=0)
    return left


def _angles(scene: Scene, receiver: Receiver, point: Array) -> tuple[float, float]:
    way = point - receiver.position
    way = way / np.linalg.norm(way)
    right = scene.right_of(receiver.facing)
    ahead = receiver.facing - (receiver.facing @ UP) * UP
    azimuth = np.degrees(np.arctan2(way @ right, way @ (ahead / np.linalg.norm(ahead))))
    return float(azimuth), float(np.degrees(np.arcsin(np.clip(way @ UP, -1, 1))))


def early_histogram(
    reflections: list[Reflection], shape: tuple[int, int, int, int, int], bin_s: float
) -> Array:
    """(variant, source, receiver, band, time) energy of the exact paths."""
    histogram = np.zeros(shape)
    for r in reflections:
        k = int(r.delay_s / bin_s)
        if k < shape[-1]:
            histogram[r.variant, r.source, r.receiver, :, k] += r.energy
    return histogram
