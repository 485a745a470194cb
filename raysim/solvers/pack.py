"""From a Scene to the flat arrays that kernels take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import exact_midband_hz
from raysim.errors import SceneError
from raysim.kernels.boundary import Boundary, Cover
from raysim.kernels.build import build_tree
from raysim.kernels.emission import Emission
from raysim.kernels.images import Planes
from raysim.kernels.ray import Plan, Receivers, Room
from raysim.kernels.tree import Tree
from raysim.scene.data import Material, Scene
from raysim.scene.variants import Cover as SceneCover
from raysim.solvers.emission import emission_of
from raysim.surfaces.construction import absorption_by_angle

Array = NDArray[np.float64]
Covers = Sequence[Sequence[SceneCover]]  # by variant
SMALLEST_RADIUS_M, LARGEST_RADIUS_M = 0.02, 1.0
COSINES = 65


@dataclass(frozen=True)
class Packed:
    """A scene as arrays.

    Attributes
    ----------
    sources : (sources, 3) m
    emission : what sources send into each direction
    direct_m : (sources, receivers) straight-line distances, m
    attenuation : (bands,) of air, 1/m
    """

    tree: Tree
    planes: Planes
    boundary: Boundary
    cover: Cover
    receivers: Receivers
    sources: Array
    emission: Emission
    direct_m: Array
    attenuation: Array
    speed: float

    def room(self, plan: Plan) -> Room:
        """What the tracer takes."""
        return Room(self.tree, self.boundary, self.cover, self.receivers, plan)


def pack(scene: Scene, radius_m: float, covers: Covers = ((),), growth: float = 0.0) -> Packed:
    """Arrays of a scene, a variant for each of `covers`.

    Counting spheres start at `radius_m` and grow to `growth` times the path of the sound; both
    end where a surface is.

    Raises
    ------
    SceneError
        A receiver closer to a surface than the smallest counting sphere allows.
    """
    mesh = scene.mesh
    sources = np.array([s.position for s in scene.sources], np.float64)
    positions = np.array([r.position for r in scene.receivers], np.float64)
    midbands = [exact_midband_hz(f) for f in scene.bands_hz]
    return Packed(
        tree=build_tree(mesh.corners, mesh.facet, mesh.sheet),
        planes=_planes(scene),
        boundary=_boundary(scene, covers),
        cover=_cover(scene, covers),
        receivers=_receivers(scene, positions, radius_m, growth),
        sources=sources,
        emission=emission_of(scene),
        direct_m=np.linalg.norm(sources[:, None] - positions[None], axis=-1),
        attenuation=scene.climate.attenuation(midbands),
        speed=scene.climate.speed_of_sound,
    )


def _boundary(scene: Scene, covers: Covers) -> Boundary:
    """Bands in which every material in use scatters equally share one class."""
    material = np.array([scene.surfaces[f.surface].material for f in scene.facets])
    used = sorted({*material.tolist(), *(c.material for own in covers for c in own)})
    scattering = np.stack([m.scattering for m in scene.materials])
    _, first, band_class = np.unique(
        scattering[used], axis=1, return_index=True, return_inverse=True
    )
    tables = [_reflectance(scene, m) for m in scene.materials]
    rows = [len(table) for table in tables]
    return Boundary(
        _first_row(scene)[material],
        np.ascontiguousarray(np.concatenate(tables)),
        np.repeat(np.array(rows, np.int32) - 1, rows),
        np.repeat(scattering[:, first], rows, axis=0),
        np.ascontiguousarray(band_class.reshape(-1).astype(np.int64)),
    )


def _reflectance(scene: Scene, material: Material) -> Array:
    """Rows of a material: layers have one a cosine."""
    if material.construction is None:
        return 1.0 - material.absorption[None]
    cosines = np.linspace(0.0, 1.0, COSINES)
    construction = material.construction
    return 1.0 - absorption_by_angle(construction, scene.bands_hz, scene.climate, cosines)


def _first_row(scene: Scene) -> NDArray[np.int32]:
    """Of each material in the tables of all."""
    rows = [1 if m.construction is None else COSINES for m in scene.materials]
    return (np.cumsum(rows) - rows).astype(np.int32)


def _cover(scene: Scene, covers: Covers) -> Cover:
    """Covers by facet; one that several variants have in the same order is kept once."""
    present: dict[SceneCover, set[int]] = {}
    for variant, own in enumerate(covers):
        for cover in own:
            present.setdefault(cover, set()).add(variant)
    kept = sorted(present, key=lambda c: c.facet)
    first = np.searchsorted([c.facet for c in kept], np.arange(len(scene.facets) + 1))
    return Cover(
        first.astype(np.int32),
        np.array([c.rect for c in kept], np.float64).reshape(-1, 4),
        _first_row(scene)[[c.material for c in kept]],
        np.array([[v in present[c] for v in range(len(covers))] for c in kept], np.bool_).reshape(
            len(kept), len(covers)
        ),
        np.ascontiguousarray([[f.origin, f.u, f.v] for f in scene.facets]),
    )


def _planes(scene: Scene) -> Planes:
    corners = scene.mesh.corners
    facets = len(scene.facets)
    low, high = np.full((facets, 3), np.inf), np.full((facets, 3), -np.inf)
    np.minimum.at(low, scene.mesh.facet, corners.min(axis=1))
    np.maximum.at(high, scene.mesh.facet, corners.max(axis=1))
    normal = np.stack([f.normal for f in scene.facets])
    level = np.array([float(f.origin @ f.normal) for f in scene.facets])
    return Planes(np.ascontiguousarray(normal), level, low, high)


def _receivers(scene: Scene, positions: Array, radius_m: float, growth: float) -> Receivers:
    """Spheres that no surface cuts."""
    clear = np.empty(len(positions))
    for i, (receiver, position) in enumerate(zip(scene.receivers, positions, strict=True)):
        clear[i] = 0.999 * nearest_surface_m(scene.mesh.corners, position)
        if clear[i] < SMALLEST_RADIUS_M:
            raise SceneError(
                f"receivers.{receiver.name}: {clear[i]:.3f} m from the nearest surface; "
                f"move it at least {SMALLEST_RADIUS_M:g} m away"
            )
    radius = np.minimum(radius_m, clear)
    largest = np.minimum(LARGEST_RADIUS_M, clear) if growth > 0.0 else radius
    return Receivers(positions, radius, np.maximum(radius, largest), growth)


def nearest_surface_m(corners: Array, point: Array) -> float:
    """Distance from a point to the nearest of (m, 3, 3) triangles (Ericson 2005, 5.1.5)."""
    a, b, c = corners.transpose(1, 0, 2)
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    height = ((point - a) * normal).sum(axis=1)
    foot = point - height[:, None] * normal
    inside = np.ones(len(corners), bool)
    nearest = np.full(len(corners), np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        side = q - p
        inside &= (np.cross(side, foot - p) * normal).sum(axis=1) >= 0
        t = np.clip(((point - p) * side).sum(axis=1) / (side**2).sum(axis=1), 0, 1)
        nearest = np.minimum(nearest, np.linalg.norm(p + t[:, None] * side - point, axis=1))
    return float(np.where(inside, np.abs(height), nearest).min())
