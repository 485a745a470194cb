"""What a surface reflects as a complex pressure, and which material a path meets where."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raysim.bands import exact_midband_hz
from raysim.scene.data import Material, Scene
from raysim.scene.variants import Cover
from raysim.surfaces.admittance import admittance_by_frequency

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

LEAST_REFLECTED = 1e-3


def reflection_factor(
    material: Material, scene: Scene, frequencies_hz: Array, cosines: ArrayLike
) -> Complex:
    """Reflected over incident pressure of plane waves, with exp(j omega t).

    Layers reflect with their impedance at the angle (Allard and Champoux's porous model, which
    the bass has too). Coefficients become the real admittance b that absorbs as much at random
    incidence, and reflect (cos - b)/(cos + b); nothing is known of their phase.

    Parameters
    ----------
    material : Material
    scene : Scene
        Its bands and climate.
    frequencies_hz : (F,) float
    cosines : (A,) float
        Of the angle of incidence.

    Returns
    -------
    (F, A) complex
    """
    cos = np.atleast_1d(np.asarray(cosines, np.float64))
    if material.construction is not None:
        layers = material.construction.for_low_frequency()
        return layers.reflection_factor(frequencies_hz, cos, scene.climate)
    midbands = [exact_midband_hz(f) for f in scene.bands_hz]
    beta = admittance_by_frequency(material.absorption, midbands, frequencies_hz)[:, None]
    total = cos + beta
    # A rigid surface reflects all, at grazing too.
    return np.asarray(np.where(total > 0, (cos - beta) / np.where(total > 0, total, 1), 1) + 0j)


def reflected_share(material: Material, end: str) -> Array:
    """(band,) energy reflected at an end of the material's range over that as believed.

    `end` is 'absorption_low' or 'absorption_high'. The angle is left out, and where nearly all is
    absorbed the share is kept finite.
    """
    moved, believed = (
        np.maximum(1 - getattr(material, one), LEAST_REFLECTED) for one in (end, "absorption")
    )
    return np.asarray(moved / believed)


def by_octave(values: Array, bands_hz: Sequence[float], frequency_hz: ArrayLike) -> Array:
    """(F,) values of octave bands (band,) between midbands, over the logarithm of frequency."""
    midbands = [exact_midband_hz(f) for f in bands_hz]
    return np.asarray(np.interp(np.log(frequency_hz), np.log(midbands), values))


def material_at(scene: Scene, covers: Sequence[Cover], facet: int, point: Array) -> int:
    """Index of the material at a point (3,) of a facet: that of the last cover over it."""
    found = scene.surfaces[scene.facets[facet].surface].material
    place = scene.facets[facet].to_plane(point)
    for cover in covers:
        low, high = np.array(cover.rect[:2]), np.array(cover.rect[2:])
        if cover.facet == facet and ((place >= low) & (place <= high)).all():
            found = cover.material
    return found


def cosines_along(scene: Scene, direction: Array, facets: Sequence[int]) -> Array:
    """(order,) cosine of the angle of incidence at each facet of a path that leaves so.

    From the unit direction (3,) and not from the points of the path: where it runs into an edge
    of two facets, two of them are one.
    """
    cosines = np.empty(len(facets))
    for i, facet in enumerate(facets):
        normal = scene.facets[facet].normal
        cosines[i] = -direction @ normal
        direction = direction + 2 * cosines[i] * normal
    return cosines
