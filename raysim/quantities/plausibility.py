"""What closed formulas say of a scene, to hold beside the traced result."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import exact_midband_hz
from raysim.scene.data import Scene
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
    critical_distance_m : (bands,) float
        With Eyring's time.
    """

    mean_absorption: Array
    sabine_s: Array
    eyring_s: Array
    shorter: Array
    longer: Array
    mean_free_path_m: float
    critical_distance_m: Array


def diffuse_field(scene: Scene) -> DiffuseField:
    """Evaluate the closed formulas for the scene as built."""
    areas = material_areas(scene)
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
        critical_distance_m=reverberation.critical_distance(eyring_s, scene.volume, speed),
    )


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
