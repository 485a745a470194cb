"""Where sources and receivers are, checked against the room."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Point

from raysim.scene.complaints import Complaints
from raysim.scene.data import Receiver, Source
from raysim.scene.geometry import Geometry
from raysim.scene.inside import AIR, OUTSIDE, locate, nearest_surface
from raysim.scene.lines import Path
from raysim.scene.rooms import Prism
from raysim.scene.schema import SceneFile

Array = NDArray[np.float64]

LEAST_DISTANCE_M = 0.02
LEAST_APART_M = 0.05
WORDS = {
    "front": (0.0, -1.0, 0.0),
    "rear": (0.0, 1.0, 0.0),
    "left": (-1.0, 0.0, 0.0),
    "right": (1.0, 0.0, 0.0),
}


def make_places(
    file: SceneFile, handedness: int, complaints: Complaints
) -> tuple[list[Source], list[Receiver]]:
    """Sources and receivers with their directions.

    A source aims at the first receiver unless told; a receiver faces the middle of the sources,
    its head level. In tape-measured rooms 'front', 'rear', 'left', 'right' are directions too.
    """
    at_source = {n: np.array(s.position) for n, s in file.sources.items()}
    at_receiver = {n: np.array(r.position) for n, r in file.receivers.items()}
    words = WORDS if handedness < 0 else {}
    sources, receivers = [], []
    for name, source in file.sources.items():
        path = ("sources", name, "aim")
        target = source.aim if source.aim is not None else next(iter(at_receiver), None)
        aim = _direction(path, at_source[name], target, at_receiver, words, complaints)
        sources.append(
            Source(
                name,
                at_source[name],
                aim,
                source.level_db,
                delay_s=source.delay_ms / 1000,
                is_inverted=source.inverted,
                highpass_hz=source.highpass_hz or 0.0,
            )
        )
    middle = tuple(np.mean(list(at_source.values()), axis=0)) if at_source else None
    for name, receiver in file.receivers.items():
        path = ("receivers", name, "facing")
        target = receiver.facing if receiver.facing is not None else middle
        facing = _direction(path, at_receiver[name], target, at_source, words, complaints)
        level = facing * (1.0, 1.0, 0.0)
        length = float(np.linalg.norm(level))
        if length < 1e-3:
            complaints.add(
                path if receiver.facing is not None else path[:2],
                "the head would face straight up or down; give 'facing' as a point beside it",
            )
            level, length = np.array([0.0, -1.0, 0.0]), 1.0
        zone = np.array(receiver.zone)
        receivers.append(Receiver(name, at_receiver[name], level / length, zone))
    return sources, receivers


def _direction(
    path: Path,
    start: Array,
    target: object,
    named: dict[str, Array],
    words: dict[str, tuple[float, float, float]],
    complaints: Complaints,
) -> Array:
    if target is None:
        return np.array([0.0, -1.0, 0.0])
    if isinstance(target, str):
        if target in named:
            end = named[target]
        elif target in words:
            return np.array(words[target])
        else:
            known = [*named, *words]
            near = get_close_matches(target, known, n=1)
            cure = f", did you mean '{near[0]}'?" if near else f"; known are {', '.join(known)}"
            complaints.add(path, f"there is no '{target}'{cure}")
            return np.array([0.0, -1.0, 0.0])
    else:
        end = np.array(target)
    along = end - start
    length = float(np.linalg.norm(along))
    if length < 1e-3:
        complaints.add(path, "it points to its own position; give another point")
        return np.array([0.0, -1.0, 0.0])
    return np.asarray(along / length)


def check_places(
    file: SceneFile,
    geometry: Geometry,
    prisms: Sequence[Prism],
    complaints: Complaints,
    within: Path = (),
) -> None:
    """Complain of sources and receivers that are not in the air, or too close to anything.

    `within` is the section that they are moved in, if they are.
    """
    places: list[tuple[Path, Array]] = [
        ((*within, table, name), np.array(section.position))
        for table in ("sources", "receivers")
        for name, section in getattr(file, table).items()
    ]
    if not places:
        return
    points = np.stack([point for _, point in places])
    where = locate(geometry, points)
    distance, foot, triangle = nearest_surface(geometry, points)
    for k, (path, point) in enumerate(places):
        thing = next((p.name for p in prisms if _holds(p, point)), None)
        surface = geometry.names[geometry.group[triangle[k]]]
        inside = _shown(_moved_in(geometry, foot[k], int(triangle[k])))
        if where[k] != AIR and (thing or where[k] != OUTSIDE):
            complaints.add(
                path,
                f"{_shown(point)} m lies inside '{thing or where[k]}', {distance[k]:.2f} m deep; "
                f"the nearest point in the air is {inside} m",
            )
        elif where[k] != AIR:
            complaints.add(
                path,
                f"{_shown(point)} m lies {distance[k]:.2f} m outside the room, beyond '{surface}'; "
                f"the nearest point inside is {inside} m{_hint(file, point)}",
            )
        elif distance[k] < LEAST_DISTANCE_M:
            complaints.add(
                path,
                f"{_shown(point)} m is {1000 * distance[k]:.0f} mm from '{surface}'; "
                f"keep it at least {1000 * LEAST_DISTANCE_M:.0f} mm off, for example at {inside} m",
            )
    _check_apart(file, complaints, within)


def _check_apart(file: SceneFile, complaints: Complaints, within: Path) -> None:
    for name, receiver in file.receivers.items():
        for other, source in file.sources.items():
            apart = float(np.linalg.norm(np.subtract(receiver.position, source.position)))
            if apart < LEAST_APART_M:
                complaints.add(
                    (*within, "receivers", name),
                    f"it is {1000 * apart:.0f} mm from the source '{other}'; "
                    f"keep them at least {1000 * LEAST_APART_M:.0f} mm apart",
                )


def _holds(thing: Prism, point: Array) -> bool:
    over = thing.plan.covers(Point(point[0], point[1]))
    return bool(over and thing.low_m <= point[2] <= thing.high_m)


def _moved_in(geometry: Geometry, foot: Array, triangle: int) -> Array:
    """A point in the air near a point of a surface, off every surface around it."""
    wanted = 2.5 * LEAST_DISTANCE_M
    place = foot + wanted * _normal(geometry, triangle)
    for _ in range(6):
        distance, _, nearest = nearest_surface(geometry, place)
        if distance[0] >= LEAST_DISTANCE_M:
            break
        place = place + (wanted - distance[0]) * _normal(geometry, int(nearest[0]))
    return place


def _normal(geometry: Geometry, triangle: int) -> Array:
    a, b, c = geometry.vertices[geometry.triangles[triangle]]
    normal = np.cross(b - a, c - a)
    return np.asarray(normal / np.linalg.norm(normal))


def _shown(point: Array) -> str:
    return f"({point[0]:.2f}, {point[1]:.2f}, {point[2]:.2f})"


def _hint(file: SceneFile, point: Array) -> str:
    """What may have been meant: length and width swapped, or another unit."""
    if file.room is None or file.room.size is None:
        return ""
    length, width, height = file.room.size
    if (point > 0).all() and (point < (length, width, height)).all():
        return "; were length and width swapped? size is [length, width, height]"
    for unit, factor in (("mm", 0.001), ("cm", 0.01)):
        scaled = point * factor
        if (scaled > 0).all() and (scaled < (width, length, height)).all():
            return f"; was it meant in {unit}? numbers without a unit are metres"
    return ""
