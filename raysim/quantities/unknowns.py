"""Which material's range leaves most of the decay time open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from raysim.bands import exact_midband_hz
from raysim.quantities.plausibility import areas_of
from raysim.scene.data import Scene
from raysim.theory.reverberation import eyring_time

LEAST = 0.02


@dataclass(frozen=True)
class Unknown:
    """What one material alone leaves open of the decay time.

    Attributes
    ----------
    material : int
        Index into `Scene.materials`.
    band_hz : float
        Where it leaves most.
    shortest, longest : float
        Decay time at the ends of its range over that as believed (Eyring, diffuse field).
    """

    material: int
    band_hz: float
    shortest: float
    longest: float


def find_unknowns(scene: Scene, variant: str = "") -> tuple[Unknown, ...]:
    """Materials that leave more than 2 % open in some band, the most first."""
    areas = np.asarray(areas_of(scene, variant))
    believed = np.stack([m.absorption for m in scene.materials])
    speed = scene.climate.speed_of_sound
    attenuation = scene.climate.attenuation([exact_midband_hz(f) for f in scene.bands_hz])
    middle = eyring_time(areas, believed, scene.volume, speed, attenuation)
    found = []
    for number, material in enumerate(scene.materials):
        ends = []
        for value in (material.absorption_high, material.absorption_low):
            moved = believed.copy()
            moved[number] = value
            moved_s = eyring_time(areas, moved, scene.volume, speed, attenuation)
            with np.errstate(invalid="ignore"):  # nothing absorbs: nothing is known of it
                ends.append(np.nan_to_num(moved_s / middle, nan=1.0, posinf=1.0))
        band = int(np.argmax(ends[1] - ends[0]))
        short, long = float(ends[0][band]), float(ends[1][band])
        if long - short > LEAST:
            found.append(Unknown(number, scene.bands_hz[band], short, long))
    return tuple(sorted(found, key=lambda one: one.shortest - one.longest))
