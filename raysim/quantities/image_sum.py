"""Image sources as complex pressures: what the exact paths of a result add up to by frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from raysim.results.data import Reflection
from raysim.scene.data import Scene
from raysim.scene.reflecting import (
    by_octave,
    cosines_along,
    material_at,
    reflected_share,
    reflection_factor,
)
from raysim.scene.variants import Cover

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Amplitudes change slowly with frequency and angle: 12 points an octave, and so many cosines.
AT_HZ = np.geomspace(20.0, 20_000.0, 121)
COSINES = np.linspace(0.0, 1.0, 41)
CHUNK = 512


@dataclass
class Images:
    """Sums over paths of one variant; keeps the reflection factors of its materials.

    `end` is the attribute of materials that says how much they absorb: as believed, or at an end
    of their ranges, for which the believed reflection factor is scaled.
    """

    scene: Scene
    covers: Sequence[Cover]
    end: str = "absorption"
    _factors: dict[int, Complex] = field(default_factory=dict)

    def pressure(self, paths: Sequence[Reflection], frequency_hz: Array) -> Complex:
        """(F,) sum over paths of 10/r sqrt(D) prod(R sqrt(1 - s)) exp(-m r/2) exp(-j k r).

        D is the source's energy re its axis in the direction in which a path leaves it, R the
        complex reflection factor at its angle, s the scattering coefficient, m the air's
        attenuation. D and s are those of octave bands, between midbands by straight lines over
        the logarithm of frequency; the source is in phase in all directions.
        """
        total = np.zeros(len(frequency_hz), np.complex128)
        if not paths:
            return total
        amplitudes = np.array([self.amplitude(path) for path in paths])
        delays = np.array([path.length_m for path in paths]) / self.scene.climate.speed_of_sound
        for start in range(0, len(frequency_hz), CHUNK):
            f = frequency_hz[start : start + CHUNK]
            turned = np.exp(-2j * np.pi * np.outer(delays, f))
            total[start : start + CHUNK] = np.einsum(
                "pf,pf->f", amplitudes @ _between(f), turned, optimize=True
            )
        return total

    def amplitude(self, path: Reflection) -> Complex:
        """(len(AT_HZ),) of one path, without the turn of phase along it."""
        scene, source = self.scene, self.scene.sources[path.source]
        found = np.full(len(AT_HZ), 10 / path.length_m, np.complex128)
        found *= np.exp(-0.5 * scene.climate.attenuation(AT_HZ) * path.length_m)
        target = path.points[0] if path.order else scene.receivers[path.receiver].position
        way = (target - source.position) / np.linalg.norm(target - source.position)
        if source.directivity is not None:
            ahead = scene.frame_of(source) @ way
            found *= np.sqrt(self._by_band(source.directivity.towards(ahead[None])[0]))
        cosines = cosines_along(scene, way, path.facets)
        for facet, point, cosine in zip(path.facets, path.points, cosines, strict=True):
            number = material_at(scene, self.covers, facet, point)
            found *= self._factor(number, cosine)
            material = scene.materials[number]
            found *= np.sqrt(1 - self._by_band(material.scattering))
            if self.end != "absorption":
                found *= np.sqrt(self._by_band(reflected_share(material, self.end)))
        return found

    def _factor(self, number: int, cosine: float) -> Complex:
        if number not in self._factors:
            material = self.scene.materials[number]
            self._factors[number] = reflection_factor(material, self.scene, AT_HZ, COSINES).T
        place = cosine * (len(COSINES) - 1)
        low = min(int(place), len(COSINES) - 2)
        table = self._factors[number]
        return np.asarray(table[low] + (place - low) * (table[low + 1] - table[low]))

    def _by_band(self, values: Array) -> Array:
        return by_octave(values, self.scene.bands_hz, AT_HZ)


def _between(frequency_hz: Array) -> Array:
    """(len(AT_HZ), F) weights of straight lines over the logarithm of frequency."""
    place = np.log(frequency_hz / AT_HZ[0]) / np.log(AT_HZ[1] / AT_HZ[0])
    low = np.clip(place.astype(int), 0, len(AT_HZ) - 2)
    weights = np.zeros((len(AT_HZ), len(frequency_hz)))
    column = np.arange(len(frequency_hz))
    weights[low, column] = 1 - (place - low)
    weights[low + 1, column] = place - low
    return weights
