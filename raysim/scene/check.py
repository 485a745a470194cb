"""What a careful reader would say of a scene: facts, and doubts about the layout."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.scene.data import Receiver, Scene, Source
from raysim.scene.playing import not_counted
from raysim.scene.shopping import sentences
from raysim.theory.nulls import QUIET, first_axial_pressure
from raysim.units import counted

Array = NDArray[np.float64]

NEAR_REAR_M = 0.5
SIDE_WITHIN_M = 0.05
SIDE_ABSORPTION = 0.1
SOURCE_DISTANCE_WITHIN_M = 0.02
NOTCH_RANGE_M = (0.2, 1.0)
AIM_WITHIN_DEG = 45.0
UNHEARD = 0.1


@dataclass(frozen=True)
class Finding:
    """One sentence about a scene; a doubt is worth a second look."""

    kind: Literal["info", "doubt"]
    sentence: str


def examine(scene: Scene) -> list[Finding]:
    """Everything worth saying of a scene before computing anything.

    Returns
    -------
    list of Finding
        What it is, what reading it assumed, what it is made of, and doubts about the layout.
    """
    facts = [*_size(scene), *scene.notes, *_materials(scene)]
    doubts = [*scene.warnings, *_views(scene)]
    for receiver in scene.receivers:
        doubts.extend(_seat(scene, receiver))
        doubts.extend(_sides(scene, receiver))
    doubts.extend(_heights(scene))
    facts.extend(_notches(scene))
    facts.extend(_loudspeakers(scene))
    facts.extend(sentences(scene))
    doubts.extend(_aims(scene))
    return [Finding("info", s) for s in facts] + [Finding("doubt", s) for s in doubts]


def _size(scene: Scene) -> list[str]:
    objects = {s.owner for s in scene.surfaces} - {"room"}
    kept = (
        [f"{counted(len(scene.keep_clear), 'keep-clear zone')}, held against treatments"]
        if scene.keep_clear
        else []
    )
    first, last = scene.bands_hz[0], scene.bands_hz[-1]
    return [
        f"{scene.title}: {scene.volume:.1f} m3 of air, {scene.area:.1f} m2 of surface, "
        f"{len(scene.mesh.triangles)} triangles in {len(scene.facets)} facets of "
        f"{counted(len(scene.surfaces), 'surface')}, {counted(len(objects), 'object')}",
        f"{counted(len(scene.sources), 'source')} ({_names(scene.sources)}), "
        f"{counted(len(scene.receivers), 'receiver')} ({_names(scene.receivers)}), "
        f"octave bands {band_name(first)} to {band_name(last)}, "
        f"air {scene.climate.temperature_c:g} °C, {scene.climate.humidity_percent:g} % "
        f"(sound travels {scene.climate.speed_of_sound:.1f} m/s)",
        *kept,
    ]


def _names(places: tuple[Source, ...] | tuple[Receiver, ...]) -> str:
    shown = ", ".join(place.name for place in places[:4])
    return shown + (", ..." if len(places) > 4 else "")


def _materials(scene: Scene) -> list[str]:
    areas = np.bincount(scene.mesh.surface, scene.mesh.areas, minlength=len(scene.surfaces))
    shown = sorted({0, len(scene.bands_hz) // 2, len(scene.bands_hz) - 1})
    said = []
    for k, material in enumerate(scene.materials):
        mine = [n for n, surface in enumerate(scene.surfaces) if surface.material == k]
        where = ", ".join(scene.surfaces[n].name for n in mine)
        area = f"{areas[mine].sum():.1f} m2 of " if mine else ""
        values = ", ".join(
            f"{material.absorption[b]:.2f} ({material.absorption_low[b]:.2f} to "
            f"{material.absorption_high[b]:.2f}) at {band_name(scene.bands_hz[b])}"
            for b in shown
        )
        said.append(
            f"{where or 'in variants only'}: {area}'{material.name}', absorption {values}; "
            f"source: {material.source}"
        )
    return said


def _seat(scene: Scene, receiver: Receiver) -> list[str]:
    """The seat against half the length, the rear wall and half the height."""
    name = receiver.name
    along = scene.mesh.vertices @ scene.front
    length = float(np.ptp(along))
    from_front = float(along.max() - receiver.position @ scene.front)
    behind, _ = first_hit(scene, receiver.position, -receiver.facing)
    doubts = []
    if near_null(share := from_front / length):
        doubts.append(
            f"'{name}' is near half the length of the room ({from_front:.2f} of {length:.2f} m): "
            f"the first mode along it, near {_axial(scene, length)}, {_unheard(share)}"
        )
    if behind < NEAR_REAR_M:
        doubts.append(
            f"'{name}' is {behind:.2f} m from what is behind it: bass is loudest and the first "
            "echo earliest there; move it away from the rear"
        )
    ear, height = _upright(scene, receiver.position)
    if near_null(ear / height):
        doubts.append(
            f"'{name}' has its ears near half the height ({ear:.2f} of {height:.2f} m): the first "
            f"mode from floor to ceiling, near {_axial(scene, height)}, {_unheard(ear / height)}"
        )
    return doubts


def near_null(share: float) -> bool:
    """Whether a share of the distance between two walls lies where their first mode is quiet."""
    return first_axial_pressure(share) < QUIET


def _unheard(share: float) -> str:
    """How much weaker than on average over the room."""
    pressure = first_axial_pressure(share)
    if pressure < UNHEARD:
        return "is hardly heard there"
    return f"is {-20 * np.log10(pressure):.0f} dB weaker there than over the room"


def _upright(scene: Scene, position: Array) -> tuple[float, float]:
    """Height above the floor, and that of the room there."""
    up, _ = first_hit(scene, position, np.array([0.0, 0.0, 1.0]))
    height = float(position[2] - scene.floor_m)
    return height, height + up


def _heights(scene: Scene) -> list[str]:
    """Sources near half the height, which hardly drive the first mode from floor to ceiling."""
    low = [s for s in scene.sources if near_null(np.divide(*_upright(scene, s.position)))]
    if not low:
        return []
    places = [_upright(scene, source.position) for source in low]
    listed = ", ".join(
        f"'{source.name}' {up:.2f} of {height:.2f} m"
        for source, (up, height) in zip(low, places, strict=True)
    )
    return [
        f"near half the height: {listed}: the first mode from floor to ceiling, near "
        f"{_axial(scene, places[0][1])}, is hardly driven; a few centimetres up or down change how "
        "much of it is heard"
    ]


def _axial(scene: Scene, length_m: float) -> str:
    return f"{round(scene.climate.speed_of_sound / (2 * length_m), 3):.0f} Hz"


def _sides(scene: Scene, receiver: Receiver) -> list[str]:
    """Differences between the left and the right of a seat with two sources."""
    doubts = []
    if len(scene.sources) == 2:
        one, two = scene.sources
        apart = [float(np.linalg.norm(s.position - receiver.position)) for s in (one, two)]
        if abs(apart[0] - apart[1]) > SOURCE_DISTANCE_WITHIN_M:
            doubts.append(
                f"'{receiver.name}' is {apart[0]:.2f} m from '{one.name}' but {apart[1]:.2f} m "
                f"from '{two.name}': the image pulls to the nearer"
            )
    right = scene.right_of(receiver.facing)
    (left_m, left), (right_m, other) = (
        first_hit(scene, receiver.position, side) for side in (-right, right)
    )
    if left < 0 or other < 0:
        return doubts
    names = [scene.surfaces[scene.mesh.surface[t]].name for t in (left, other)]
    if abs(left_m - right_m) > SIDE_WITHIN_M:
        doubts.append(
            f"'{receiver.name}' has '{names[0]}' {left_m:.2f} m to the left but '{names[1]}' "
            f"{right_m:.2f} m to the right: the two sides reflect differently"
        )
    absorption = scene.absorption[[left, other]].mean(axis=1)
    if abs(absorption[0] - absorption[1]) > SIDE_ABSORPTION:
        doubts.append(
            f"left of '{receiver.name}' is '{names[0]}' (mean absorption {absorption[0]:.2f}), "
            f"right of it '{names[1]}' ({absorption[1]:.2f}): the two sides reflect differently"
        )
    return doubts


def _notches(scene: Scene) -> list[str]:
    """Dip of each source against the surface behind it, a quarter wavelength away."""
    facts = []
    low, high = NOTCH_RANGE_M
    for source in scene.sources:
        distance, triangle = first_hit(scene, source.position, scene.front)
        if triangle >= 0 and low <= distance <= high:
            behind = scene.surfaces[scene.mesh.surface[triangle]].name
            dip = scene.climate.speed_of_sound / (4 * distance)
            if source.directivity is not None and dip > source.directivity.lowpass_hz:
                continue
            facts.append(
                f"'{source.name}' is {distance:.2f} m from '{behind}' behind it: expect a dip near "
                f"{dip:.0f} Hz (a quarter wavelength) that an equaliser can't fill"
            )
    return facts


def _views(scene: Scene) -> list[str]:
    """Sources that a receiver can't see."""
    doubts = []
    for source in scene.sources:
        for receiver in scene.receivers:
            along = receiver.position - source.position
            length = float(np.linalg.norm(along))
            distance, triangle = first_hit(scene, source.position, along / length)
            if triangle >= 0 and distance < length:
                thing = scene.surfaces[scene.mesh.surface[triangle]].name
                doubts.append(
                    f"'{thing}' stands between '{source.name}' and '{receiver.name}': "
                    "the direct sound is blocked"
                )
    return doubts


def _loudspeakers(scene: Scene) -> list[str]:
    """What each loudspeaker is and how much it beams."""
    facts = []
    for source in scene.sources:
        if source.directivity is None:
            continue
        index = source.directivity.index_db
        bands = np.flatnonzero(source.directivity.plays(scene.bands_hz))
        shown = sorted({bands[0], bands[len(bands) // 2], bands[-1]}) if len(bands) else []
        values = ", ".join(f"{index[b]:.1f} dB at {band_name(scene.bands_hz[b])}" for b in shown)
        facts.append(
            f"'{source.name}': {source.directivity.origin}"
            + (f"; directivity index {values}" if values else "")
        )
    return facts + not_counted(scene)


def _aims(scene: Scene) -> list[str]:
    """Loudspeakers that aim away from every receiver."""
    doubts = []
    for source in scene.sources:
        if source.directivity is None:
            continue
        ways = np.stack([receiver.position - source.position for receiver in scene.receivers])
        cosine = (ways @ source.aim) / np.linalg.norm(ways, axis=1)
        off = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
        if off.min() > AIM_WITHIN_DEG:
            nearest = scene.receivers[int(off.argmin())].name
            doubts.append(
                f"'{source.name}' aims away from every receiver; '{nearest}' is nearest to its "
                f"axis, {off.min():.0f}° off: check 'aim'"
            )
    return doubts


def first_hit(scene: Scene, start: Array, direction: Array) -> tuple[float, int]:
    """Distance in m to the first triangle along a unit direction, and its index; inf, -1 if none.

    All triangles are tried (Möller and Trumbore 1997): for a few rays, not for tracing.
    """
    a, b, c = scene.mesh.corners.transpose(1, 0, 2)
    one, two = b - a, c - a
    p = np.cross(direction, two)
    determinant = np.einsum("ij,ij->i", one, p)
    usable = np.abs(determinant) > 1e-14
    inverse = 1.0 / np.where(usable, determinant, 1.0)
    offset = start - a
    u = np.einsum("ij,ij->i", offset, p) * inverse
    q = np.cross(offset, one)
    v = (q @ direction) * inverse
    distance = np.einsum("ij,ij->i", two, q) * inverse
    edge = 1e-9
    hit = usable & (u >= -edge) & (v >= -edge) & (u + v <= 1 + edge) & (distance > 1e-6)
    if not hit.any():
        return float("inf"), -1
    triangle = int(np.where(hit, distance, np.inf).argmin())
    return float(distance[triangle]), triangle
