"""Early reflections against the control-room criterion, and where they meet the surfaces.

Criterion: within 15 ms after the direct sound, at least 10 dB below it at all frequencies from
1 to 8 kHz (`theory.criteria`). The levels are those of the specular paths, exact but for what
the materials' coefficients say; scattered energy isn't in them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.results.data import Reflection, Result
from raysim.scene import playing
from raysim.scene.data import Facet, Scene
from raysim.scene.reflecting import material_at, reflected_share
from raysim.scene.variants import covers_of
from raysim.theory.criteria import REFLECTION_BANDS_HZ, REFLECTION_LEVEL_DB, REFLECTION_WINDOW_S
from raysim.theory.tape import delay_sensitivity

Array = NDArray[np.float64]

UPRIGHT = 0.5
"""A facet is measured like a wall if its normal rises less than 30 degrees: |n_z| <= 0.5."""
ROUNDING_DB = 1e-9
ROUNDING_M = 1e-9


@dataclass(frozen=True)
class Place:
    """A point on a facet, measured as with a tape.

    Attributes
    ----------
    facet : str
    is_upright : bool
        A wall-like facet; otherwise one like a floor, ceiling or desk top.
    above_floor_m : float
        Height above the lowest point of the room.
    edges : tuple of (str, float)
        Name and distance in m along the facet: on an upright facet the nearer of its two side
        edges at that height; otherwise the nearer of each pair of opposite edges. Edges are
        named by the side of the room they lie on, facing its front.
    """

    facet: str
    is_upright: bool
    above_floor_m: float
    edges: tuple[tuple[str, float], ...]

    def describe(self) -> str:
        """In words and whole centimetres."""
        height = [f"{100 * self.above_floor_m:.0f} cm above the floor"]
        if not self.is_upright and self.above_floor_m < 0.005:
            height = []
        parts = [f"{100 * distance:.0f} cm from its {edge} edge" for edge, distance in self.edges]
        return ", ".join([*height, *parts])


@dataclass(frozen=True)
class EarlyReflection:
    """One specular path within the window.

    Attributes
    ----------
    reflection : Reflection
    path : str
        Surfaces met, in order from the source: 'left', or 'floor, rear'.
    level_db : float
        Highest level re the direct sound in the bands of the criterion; NaN without such bands.
    band_hz : float
        The band of that level.
    is_met : bool or None
        True if the criterion is met, None if the result has none of its bands.
    places : tuple of Place
        One a reflection point.
    """

    reflection: Reflection
    path: str
    level_db: float
    band_hz: float
    is_met: bool | None
    places: tuple[Place, ...]


def criterion_bands(bands_hz: tuple[float, ...]) -> list[int]:
    """Indices of the bands in which the criterion is judged."""
    low, high = REFLECTION_BANDS_HZ
    return [b for b, label in enumerate(bands_hz) if low <= label <= high]


def judged_bands(scene: Scene) -> list[list[int]]:
    """Of each source the indices of the bands of the criterion that it plays."""
    bands = criterion_bands(scene.bands_hz)
    return [[b for b in bands if sounding[b]] for sounding in playing.plays(scene)]


def no_criterion_band(bands_hz: tuple[float, ...]) -> str:
    """Why a source is not judged: the result has no band for it, or the source plays none."""
    if criterion_bands(bands_hz):
        return "the source plays nothing within 1 to 8 kHz"
    return "no band of the result lies within 1 to 8 kHz"


def early_reflections(result: Result) -> tuple[EarlyReflection, ...]:
    """Specular reflections within 15 ms of the direct sound, in the order of the result.

    Only up to `result.image_order`, and judged in the bands of the criterion that their source
    plays; of a source that plays none of them there are none. Where the direct sound is blocked,
    levels and times are re the direct sound as it would be.
    """
    bands, played = criterion_bands(result.scene.bands_hz), judged_bands(result.scene)
    return tuple(
        _judge(result.scene_in(path.variant), path, played[path.source])
        for path in result.reflections
        if path.order >= 1
        and path.delay_s <= REFLECTION_WINDOW_S
        and (played[path.source] or not bands)
    )


def delay_tolerance_s(scene: Scene, path: Reflection) -> float:
    """How far the tape's tolerance may move a reflection's delay, in s; NaN where none is stated.

    Each measured length is off by the tolerance on its own (`theory.tape`). The planes of the
    room that lie in the coordinates' origin are where the tape starts, so they can't be off.
    """
    if scene.tolerance_m is None:
        return float("nan")
    facets = [scene.facets[number] for number in path.facets]
    sensitivity = delay_sensitivity(
        scene.sources[path.source].position,
        scene.receivers[path.receiver].position,
        path.points,
        np.array([facet.normal for facet in facets]),
        [not _is_origin(scene, facet) for facet in facets],
    )
    return scene.tolerance_m * sensitivity / scene.climate.speed_of_sound


def _is_origin(scene: Scene, facet: Facet) -> bool:
    lies_there = abs(float(facet.origin @ facet.normal)) < ROUNDING_M
    along_an_axis = np.abs(facet.normal).max() > 1 - ROUNDING_M
    return lies_there and along_an_axis and scene.surfaces[facet.surface].owner == "room"


def level_range_db(result: Result, path: Reflection) -> tuple[float, float]:
    """Lowest and highest level re direct that the materials' ranges of absorption leave.

    In the bands of the criterion that the source plays, the highest of each as `early_reflections`
    takes it; every surface met is at the same end of its range. NaN without such bands.
    """
    scene, bands = result.scene_in(path.variant), judged_bands(result.scene)[path.source]
    if not bands:
        return float("nan"), float("nan")
    name = result.variants[path.variant]
    own = [variant for variant in result.scene.variants if variant.name == name]
    covers = covers_of(result.scene, own[0]) if own else ()
    met = [
        scene.materials[material_at(scene, covers, facet, point)]
        for facet, point in zip(path.facets, path.points, strict=True)
    ]
    low, high = np.array(path.level_db, dtype=float), np.array(path.level_db, dtype=float)
    for material in met:
        low += 10 * np.log10(reflected_share(material, "absorption_high"))
        high += 10 * np.log10(reflected_share(material, "absorption_low"))
    return float(low[bands].max()), float(high[bands].max())


def by_surface(judged: tuple[EarlyReflection, ...]) -> dict[str, tuple[EarlyReflection, ...]]:
    """Group by `path`, strongest first in and among the groups."""
    loudest_first = sorted(judged, key=lambda one: -np.nan_to_num(one.level_db, nan=-np.inf))
    groups: dict[str, list[EarlyReflection]] = {}
    for one in loudest_first:
        groups.setdefault(one.path, []).append(one)
    return {path: tuple(members) for path, members in groups.items()}


def place_on(scene: Scene, facet: Facet, point: Array) -> Place:
    """Where on `facet` the point (3,) lies, from the floor and the nearest edges."""
    u, v = facet.to_plane(point)
    is_upright = bool(abs(facet.normal[2]) <= UPRIGHT)
    before, after = _to_edges(facet.outline[0], u, v)
    sides = [(facet.u, before, after)]
    if not is_upright:
        sides.append((facet.v, *_to_edges(facet.outline[0][:, ::-1], v, u)))
    edges = [
        (_side_of_room(scene, -axis), low) if low <= high else (_side_of_room(scene, axis), high)
        for axis, low, high in sides
    ]
    return Place(facet.name, is_upright, float(point[2]) - scene.floor_m, tuple(edges))


def _judge(scene: Scene, path: Reflection, bands: list[int]) -> EarlyReflection:
    level, band, is_met = np.nan, np.nan, None
    if bands:
        worst = max(bands, key=lambda b: path.level_db[b])
        level, band = float(path.level_db[worst]), scene.bands_hz[worst]
        is_met = level <= REFLECTION_LEVEL_DB + ROUNDING_DB
    facets = [scene.facets[number] for number in path.facets]
    return EarlyReflection(
        reflection=path,
        path=", ".join(scene.surfaces[facet.surface].name for facet in facets),
        level_db=level,
        band_hz=band,
        is_met=is_met,
        places=tuple(place_on(scene, f, p) for f, p in zip(facets, path.points, strict=True)),
    )


def _side_of_room(scene: Scene, direction: Array) -> str:
    forward = direction @ scene.front
    rightward = direction @ scene.right_of(scene.front)
    if abs(forward) > abs(rightward):
        return "front" if forward > 0 else "rear"
    return "right" if rightward > 0 else "left"


def _to_edges(outline: Array, along: float, across: float) -> tuple[float, float]:
    """Distances from (along, across) down and up the first axis to the outline, (k, 2).

    0 where there is no outline that way: the point lies on it, or to rounding beyond it.
    """
    start, end = outline, np.roll(outline, -1, axis=0)
    across = float(np.clip(across, outline[:, 1].min(), outline[:, 1].max()))
    low, high = np.minimum(start[:, 1], end[:, 1]), np.maximum(start[:, 1], end[:, 1])
    crossed = (low <= across) & (across <= high) & (high > low)
    rise = np.where(crossed, end[:, 1] - start[:, 1], 1.0)
    at = start[:, 0] + (across - start[:, 1]) / rise * (end[:, 0] - start[:, 0])
    crossings = at[crossed]
    before = crossings[crossings < along - ROUNDING_M]
    after = crossings[crossings > along + ROUNDING_M]
    return (
        float(along - before.max()) if before.size else 0.0,
        float(after.min() - along) if after.size else 0.0,
    )
