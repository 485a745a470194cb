"""Boundary notches: where one surface's reflection cancels the direct sound of a loudspeaker.

By the true geometry of source, surface and receiver, with the phase that the surface's material
has at that frequency. Two paths alone: modes of the room may fill the notch or move it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.quantities.reflections import delay_tolerance_s
from raysim.results.data import Reflection, Result
from raysim.scene.data import Facet, Material, Scene
from raysim.scene.placing import same_plane
from raysim.scene.reflecting import (
    by_octave,
    cosines_along,
    material_at,
    reflected_share,
    reflection_factor,
)
from raysim.scene.variants import Cover, covers_of
from raysim.theory.interference import level_of_two_db, notch_hz

Array = NDArray[np.float64]

HIGHEST_HZ = 500.0
SHALLOWEST_DB = -3.0
ROUNDS = 6


@dataclass(frozen=True)
class Notch:
    """Direct sound and one reflection in opposite phase, the first time.

    Attributes
    ----------
    variant, source, receiver, facet : int
    surface : str
    distance_m : float
        Of the source from the surface's plane.
    path_difference_m : float
        Reflected less direct path to the receiver.
    frequency_hz : float
    tolerance_hz : float
        What the tape leaves open of it; NaN where the scene states no tolerance.
    rule_hz : float
        c over four times the distance, which is right only straight before the surface.
    depth_db : float
        Level of the two together re the direct sound.
    depth_range_db : (float, float)
        Lowest and highest of it within the range of the surface's material.
    is_large : bool
        Whether the surface's plane is at least half a wavelength across both ways; round a smaller
        object such waves pass, and a smaller wall acts together with its neighbours.
    """

    variant: int
    source: int
    receiver: int
    facet: int
    surface: str
    distance_m: float
    path_difference_m: float
    frequency_hz: float
    tolerance_hz: float
    rule_hz: float
    depth_db: float
    depth_range_db: tuple[float, float]
    is_large: bool


def boundary_notches(result: Result) -> tuple[Notch, ...]:
    """Notches up to 500 Hz and at least 3 dB deep, by variant, source, receiver and frequency.

    Only of surfaces whose reflection reaches the receiver and where the direct sound does, so
    none without images (image order 0).
    """
    met = {(p.variant, p.source, p.receiver) for p in result.reflections if p.order == 0}
    covers = [_covers(result, v) for v in range(len(result.variants))]
    found = [
        _notch(result.scene_in(path.variant), covers[path.variant], path)
        for path in result.reflections
        if path.order == 1 and (path.variant, path.source, path.receiver) in met
    ]
    kept = [
        one for one in found if one.frequency_hz <= HIGHEST_HZ and one.depth_db <= SHALLOWEST_DB
    ]
    return tuple(sorted(kept, key=lambda n: (n.variant, n.source, n.receiver, n.frequency_hz)))


def _covers(result: Result, variant: int) -> tuple[Cover, ...]:
    named = {v.name: v for v in result.scene.variants}
    name = result.variants[variant]
    return covers_of(result.scene, named[name]) if name in named else ()


def _notch(scene: Scene, covers: tuple[Cover, ...], path: Reflection) -> Notch:
    source, receiver = scene.sources[path.source], scene.receivers[path.receiver]
    [number] = path.facets
    facet = scene.facets[number]
    speed = scene.climate.speed_of_sound
    direct_m = float(np.linalg.norm(source.position - receiver.position))
    difference = path.length_m - direct_m
    material = scene.materials[material_at(scene, covers, number, path.points[0])]
    way = path.points[0] - source.position
    cosines = cosines_along(scene, way / np.linalg.norm(way), path.facets)
    frequency = notch_hz(difference, speed)
    # The phase of the reflection moves the notch, and it depends on the frequency itself.
    for _ in range(ROUNDS):
        factor = reflection_factor(material, scene, np.array([frequency]), cosines)[0, 0]
        frequency = notch_hz(difference, speed, float(np.angle(factor)))
    ratio = abs(factor) * direct_m / path.length_m
    depths = [
        level_of_two_db(ratio * part)[0] for part in (1.0, *_at_ends(material, scene, frequency))
    ]
    distance = abs(float((source.position - facet.origin) @ facet.normal))
    return Notch(
        variant=path.variant,
        source=path.source,
        receiver=path.receiver,
        facet=number,
        surface=scene.surfaces[facet.surface].name,
        distance_m=distance,
        path_difference_m=difference,
        frequency_hz=frequency,
        tolerance_hz=frequency * delay_tolerance_s(scene, path) * speed / difference,
        rule_hz=notch_hz(2 * distance, speed),
        depth_db=depths[0],
        depth_range_db=(min(depths), max(depths)),
        is_large=_smaller_side(scene, facet) >= speed / frequency / 2,
    )


def _at_ends(material: Material, scene: Scene, frequency_hz: float) -> Iterator[float]:
    """Amplitudes reflected at both ends of the material's range over that as believed."""
    for end in ("absorption_low", "absorption_high"):
        share = by_octave(reflected_share(material, end), scene.bands_hz, frequency_hz)
        yield float(np.sqrt(share))


def _smaller_side(scene: Scene, facet: Facet) -> float:
    """Of the rectangle round all facets of the same plane, m."""
    corners = [
        facet.to_plane(other.origin + loop @ np.stack([other.u, other.v]))
        for other in scene.facets
        if same_plane(other, facet)
        for loop in other.outline[:1]
    ]
    return float(np.ptp(np.concatenate(corners), axis=0).min())
