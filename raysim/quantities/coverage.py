"""What of the walls the early reflections need, and what of it treatments cover.

The reflections are those off one surface within 15 ms after the direct sound at the middle of the
head zone. The zone's corners are reached by way of the same facet from the mirror image of the
source; seen from there the zone's outline on the facet is what must be covered. Other facets from
which only a corner of the zone is reached are not searched for.

What hangs or stands clear of the facet (a cloud, a screen, a trap) covers what lies in its shadow,
seen from the source or from the receiver: rays of sound, so right where the thing is some
wavelengths wide. Diffraction round its edges isn't in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import shapely
from numpy.typing import NDArray

from raysim.quantities.reflections import EarlyReflection, early_reflections
from raysim.results.data import Result
from raysim.scene.data import Facet, Receiver, Scene, Treatment, Variant
from raysim.scene.placing import same_plane

Array = NDArray[np.float64]
Rect = tuple[float, float, float, float]

ROUNDING_M = 1e-9
WHOLE = 1 - 1e-6


@dataclass(frozen=True)
class Need:
    """Rectangle of a facet by which sound reaches the head zone.

    Attributes
    ----------
    receiver : int
    sources : tuple of int
        One, or all that need this facet together.
    facet : int
        Index into the facets of the first variant.
    rect : (low u, low v, high u, high v), m
        On the facet, no further than it reaches.
    level_db, delay_s : float
        At the middle of the zone, re the direct sound; of several sources the highest level and
        the first arrival. The level is the highest of the bands of the criterion.
    """

    receiver: int
    sources: tuple[int, ...]
    facet: int
    rect: Rect
    level_db: float
    delay_s: float


@dataclass(frozen=True)
class Coverage:
    """What a variant covers of a need.

    Attributes
    ----------
    need : Need
    variant : int
    treatments : tuple of str
        Those that cover a part; 'SURFACE: MATERIAL' where the surface itself is changed.
    share : float
        Of the rectangle's area that is covered, 0 to 1.
    remaining_db : float
        Level re direct that remains: of a rectangle covered whole that of the variant at the
        middle of the zone, with what a hung or standing treatment returns itself; else the level
        without it, for somewhere in the zone it is so. -inf where nothing remains.
    """

    need: Need
    variant: int
    treatments: tuple[str, ...]
    share: float
    remaining_db: float


def zone_points(receiver: Receiver) -> Array:
    """(9, 3) middle and corners of the zone in which the head moves, m."""
    signs = np.array([(0, 0, 0), *product((-1, 1), repeat=3)])
    return np.asarray(receiver.position + signs * receiver.zone)


def mirror_points(facet: Facet, source: Array, points: Array) -> Array:
    """Where sound from `source` meets the plane of `facet` on its way to each of `points`.

    Parameters
    ----------
    source : (3,) float, m
    points : (n, 3) float, m

    Returns
    -------
    (k, 3) float
        Those of points before the plane only.
    """
    depth = float((source - facet.origin) @ facet.normal)
    image = source - 2 * depth * facet.normal
    before = (points - facet.origin) @ facet.normal
    points, before = points[before > ROUNDING_M], before[before > ROUNDING_M]
    return np.asarray(image + (depth / (depth + before))[:, None] * (points - image))


def find_needs(result: Result) -> tuple[Need, ...]:
    """Needs of the first variant, by receiver, facet, then source; those together come last."""
    scene = result.scene_in(0)
    single = {}
    for one in early_reflections(result):
        path = one.reflection
        if path.variant == 0 and path.order == 1:
            need = _need(scene, one)
            single[need.receiver, need.facet, need.sources[0]] = need
    needs: list[Need] = []
    for receiver, facet in sorted({key[:2] for key in single}):
        here = [single[key] for key in sorted(single) if key[:2] == (receiver, facet)]
        needs += here
        if len(here) > 1:
            needs.append(_together(here))
    return tuple(needs)


def find_coverage(result: Result) -> tuple[Coverage, ...]:
    """What each variant covers of each need: what remains loudest comes first.

    Variants that move sources or receivers have other reflections and are left out.
    """
    named = {variant.name: variant for variant in result.scene.variants}
    early = early_reflections(result)
    found: list[Coverage] = []
    for number, name in enumerate(result.variants):
        variant = named.get(name, Variant(name))
        if variant.sources or variant.receivers:
            continue
        # A tuple of all the sources of a facet comes after its members.
        known: dict[tuple[int, int, int], Coverage] = {}
        for need in find_needs(result):
            one = _cover(result, early, number, variant, need, known)
            if len(need.sources) == 1:
                known[need.receiver, need.facet, need.sources[0]] = one
            found.append(one)
    return tuple(sorted(found, key=lambda one: (one.variant, -one.remaining_db)))


def _need(scene: Scene, one: EarlyReflection) -> Need:
    path = one.reflection
    facet = scene.facets[path.facets[0]]
    position = scene.sources[path.source].position
    points = mirror_points(facet, position, zone_points(scene.receivers[path.receiver]))
    seen = shapely.MultiPoint(facet.to_plane(points)).convex_hull
    outline = shapely.Polygon(facet.outline[0], facet.outline[1:])
    low_u, low_v, high_u, high_v = seen.intersection(outline).bounds
    return Need(
        receiver=path.receiver,
        sources=(path.source,),
        facet=path.facets[0],
        rect=(low_u, low_v, high_u, high_v),
        level_db=one.level_db,
        delay_s=path.delay_s,
    )


def _together(needs: Sequence[Need]) -> Need:
    rects = np.array([need.rect for need in needs])
    low, high = rects[:, :2].min(axis=0), rects[:, 2:].max(axis=0)
    return Need(
        receiver=needs[0].receiver,
        sources=tuple(need.sources[0] for need in needs),
        facet=needs[0].facet,
        rect=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        level_db=max(need.level_db for need in needs),
        delay_s=min(need.delay_s for need in needs),
    )


def _cover(
    result: Result,
    early: Sequence[EarlyReflection],
    number: int,
    variant: Variant,
    need: Need,
    known: dict[tuple[int, int, int], Coverage],
) -> Coverage:
    """Coverage of one need; of sources together from what is `known` of each."""
    scene = result.scene_in(0)
    rect = shapely.box(*need.rect)
    areas = areas_covered(result, variant, need)
    hung = {name: area for name, area in areas.items() if share_covered(rect, area) > 0}
    share = share_covered(rect, shapely.union_all(list(hung.values()))) if hung else 0.0
    if len(need.sources) > 1:
        members = [known[need.receiver, need.facet, source] for source in need.sources]
        remaining = max(member.remaining_db for member in members)
    elif share < WHOLE:
        remaining = need.level_db
    else:
        objects = {t.name for t in _treatments(result.scene, variant) if t.is_object} & set(hung)
        facet = scene.facets[need.facet]
        returned = [
            one.level_db
            for one in early
            if one.reflection.order == 1
            and one.reflection.variant == number
            and one.reflection.source == need.sources[0]
            and one.reflection.receiver == need.receiver
            and _returns(result.scene_in(number), one.reflection.facets[0], scene, facet, objects)
        ]
        remaining = max(returned, default=-np.inf)
    return Coverage(need, number, tuple(hung), share, float(remaining))


def _returns(now: Scene, index: int, scene: Scene, facet: Facet, objects: set[str]) -> bool:
    """Whether a facet of a variant is (part of) the facet itself, or of an object before it."""
    other = now.facets[index]
    surface = now.surfaces[other.surface]
    is_same = surface.name == scene.surfaces[facet.surface].name and same_plane(other, facet)
    return is_same or surface.owner in objects


def _treatments(scene: Scene, variant: Variant) -> list[Treatment]:
    return [scene.treatments[index] for index in variant.treatments]


def areas_covered(result: Result, variant: Variant, need: Need) -> dict[str, shapely.Geometry]:
    """What each treatment of a variant covers of the facet's plane, in its frame."""
    scene, whole = result.scene_in(0), result.scene
    facet = scene.facets[need.facet]
    receiver = scene.receivers[need.receiver].position
    areas: dict[str, shapely.Geometry] = {}
    for surface, material in variant.surfaces:
        if whole.surfaces[surface].name == scene.surfaces[facet.surface].name:
            label = f"{whole.surfaces[surface].name}: {whole.materials[material].name}"
            areas[label] = shapely.Polygon(facet.outline[0]).buffer(ROUNDING_M)
    for treatment in _treatments(whole, variant):
        if treatment.is_object:
            eyes = [scene.sources[source].position for source in need.sources] + [receiver]
            areas[treatment.name] = shapely.union_all(
                [shadow(facet, eye, treatment.corners) for eye in eyes]
            )
        elif same_plane(whole.facets[treatment.facet], facet):
            areas[treatment.name] = _carried(whole.facets[treatment.facet], treatment.rect, facet)
    return areas


def shadow(facet: Facet, eye: Array, corners: Array) -> shapely.Geometry:
    """What a convex body hides of a facet's plane from `eye`, in the facet's frame.

    Empty unless the body lies between the eye and the plane.

    Parameters
    ----------
    eye : (3,) float, m
    corners : (n, 3) float, m
    """
    height = float((eye - facet.origin) @ facet.normal)
    above = (corners - facet.origin) @ facet.normal
    if (above < -ROUNDING_M).any() or (above >= height - ROUNDING_M).any():
        return shapely.Polygon()
    onto = eye + (height / (height - above))[:, None] * (corners - eye)
    return shapely.MultiPoint(facet.to_plane(onto)).convex_hull


def _carried(of: Facet, rect: Rect, to: Facet) -> shapely.Geometry:
    corners = shapely.get_coordinates(shapely.box(*rect))
    points = of.origin + np.outer(corners[:, 0], of.u) + np.outer(corners[:, 1], of.v)
    return shapely.Polygon(to.to_plane(points))


def share_covered(rect: shapely.Geometry, area: shapely.Geometry) -> float:
    """Share of a rectangle, or of the line or point it has shrunk to, that lies in an area."""
    if rect.area > 0:
        return float(rect.intersection(area).area / rect.area)
    return float(area.covers(rect.representative_point()))
