"""What closed formulas say of a scene, to hold beside the traced result."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from raysim.bands import exact_midband_hz
from raysim.scene.data import Facet, Scene, Variant
from raysim.scene.playing import plays
from raysim.scene.variants import covers_of, scene_of
from raysim.theory import reverberation

Array = NDArray[np.float64]


@dataclass(frozen=True)
class DiffuseField:
    """Diffuse-field estimates of a scene: plausibility, not prediction.

    Attributes
    ----------
    mean_absorption, sabine_s, eyring_s : (bands,) float
    shorter, longer : (bands,) float
        Factors on a decay time from the ranges of the materials' absorption, about one standard
        deviation where a range is one (`reverberation.eyring_range`).
    mean_free_path_m : float
    critical_distance_m : (source, bands) float
        On the axis, with Eyring's time and the directivity index; NaN where a source is silent.
    """

    mean_absorption: Array
    sabine_s: Array
    eyring_s: Array
    shorter: Array
    longer: Array
    mean_free_path_m: float
    critical_distance_m: Array


def diffuse_field(scene: Scene, variant: str = "") -> DiffuseField:
    """Evaluate the closed formulas for the scene as built, or for one of its variants.

    A name that is none of the scene's variants stands for the scene as built.
    """
    areas = areas_of(scene, variant)
    scene = next((scene_of(scene, v) for v in scene.variants if v.name == variant), scene)
    absorption, low, high = (
        np.stack([getattr(m, name) for m in scene.materials])
        for name in ("absorption", "absorption_low", "absorption_high")
    )
    speed = scene.climate.speed_of_sound
    attenuation = scene.climate.attenuation([exact_midband_hz(f) for f in scene.bands_hz])
    room = (scene.volume, speed, attenuation)
    eyring_s = reverberation.eyring_time(areas, absorption, *room)
    shorter, longer = reverberation.eyring_range(areas, absorption, low, high, *room)
    return DiffuseField(
        mean_absorption=reverberation.mean_absorption(areas, absorption),
        sabine_s=reverberation.sabine_time(areas, absorption, *room),
        eyring_s=eyring_s,
        shorter=shorter,
        longer=longer,
        mean_free_path_m=reverberation.mean_free_path(scene.volume, scene.area),
        critical_distance_m=np.where(
            plays(scene),
            reverberation.critical_distance(eyring_s, scene.volume, speed, _index_db(scene)),
            np.nan,
        ),
    )


def _index_db(scene: Scene) -> Array:
    """(source, bands) directivity index."""
    everywhere = np.zeros(len(scene.bands_hz))
    each = [one.directivity for one in scene.sources]
    return np.array([everywhere if one is None else one.index_db for one in each])


def input_range(scene: Scene) -> tuple[Array, Array]:
    """Factors (bands,) by which decay times may be shorter and longer for the input's range.

    A diffuse-field estimate: each material moves alone within its range and the changes of
    Eyring's time are added as independent errors.
    """
    field = diffuse_field(scene)
    return field.shorter, field.longer


def material_areas(scene: Scene) -> Array:
    """Area of each of the scene's materials in m2, (materials,); sheets count on both sides."""
    material = np.array([surface.material for surface in scene.surfaces])[scene.mesh.surface]
    areas = np.zeros(len(scene.materials))
    np.add.at(areas, material, scene.mesh.areas)
    return areas


def areas_of(scene: Scene, variant: str) -> Array:
    """Area of each material in m2 with what the variant of that name covers, (materials,).

    Of covers that overlap the later is on top; only what lies within a facet's outline counts.
    A name that is none of the scene's variants stands for the scene as built.
    """
    chosen = next((v for v in scene.variants if v.name == variant), None)
    return material_areas(scene) if chosen is None else _covered(scene, chosen)


def _covered(scene: Scene, variant: Variant) -> Array:
    changed = scene_of(scene, variant)
    areas = material_areas(changed)
    on_facet: dict[int, list[tuple[tuple[float, float, float, float], int]]] = {}
    for cover in covers_of(scene, variant):
        on_facet.setdefault(cover.facet, []).append((cover.rect, cover.material))
    for number, covers in on_facet.items():
        facet = changed.facets[number]
        below = changed.surfaces[facet.surface].material
        free = _polygon(facet)
        for rect, material in reversed(covers):
            piece = shapely.intersection(free, shapely.box(*rect))
            areas[material] += piece.area
            areas[below] -= piece.area
            free = shapely.difference(free, piece)
    return areas


def _polygon(facet: Facet) -> shapely.Geometry:
    outer, *holes = facet.outline
    return shapely.Polygon(outer, holes)
