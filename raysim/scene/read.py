"""Scene files read to Scenes, with all complaints of a file at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from raysim.air import Climate
from raysim.bands import DEFAULT_OCTAVES_HZ, octave_labels_hz
from raysim.errors import SceneError
from raysim.scene.assemble import assemble, facing_of
from raysim.scene.building import Built, build
from raysim.scene.collisions import HARD, zone_doubts
from raysim.scene.complaints import Complaints, read_sections
from raysim.scene.data import KeepClear, Scene
from raysim.scene.finishes import Finishes, finish, material_notes
from raysim.scene.layered import layer_doubts
from raysim.scene.loudspeakers import equip
from raysim.scene.places import check_places, make_places
from raysim.scene.schema import KeepClearSection, SceneFile
from raysim.scene.text import SCENE, tables_of, text_of
from raysim.scene.treating import Wishes, read_wishes, treat
from raysim.surfaces.table import TABLE_BANDS_HZ

Array = NDArray[np.float64]


def load_scene(path: str | PathLike[str], bands: tuple[float, float] | None = None) -> Scene:
    """Read a scene file (TOML; docs/formats/scene.md).

    Parameters
    ----------
    path : str or path
        Mesh files are looked for beside it.
    bands : (lowest, highest), Hz, optional
        Octave labels that override those of the file.

    Returns
    -------
    Scene

    Raises
    ------
    SceneError
        With every complaint about the file, one sentence each, in the order of its lines.
    """
    return scene_of_text(text_of(path), path, bands)


def scene_of_text(
    text: str, path: str | PathLike[str], bands: tuple[float, float] | None = None
) -> Scene:
    """As `load_scene`, of a text that isn't in the file but might be."""
    reading = _begun(text, path, bands)
    built = _built(reading)
    scene, wishes = _bare(reading, built)
    treated = treat(scene, reading.file, built, wishes, reading.complaints)
    reading.complaints.raise_any()
    return treated


@dataclass(frozen=True)
class _Reading:
    """A scene file whose sections are read, those in `left_out` with faults."""

    text: str
    path: Path
    file: SceneFile
    left_out: set[tuple[str, ...]]
    bands_hz: tuple[float, ...]
    finishes: Finishes
    complaints: Complaints


def _begun(
    text: str, path: str | PathLike[str], bands: tuple[float, float] | None = None
) -> _Reading:
    raw, complaints = tables_of(text, path, SCENE)
    file, left_out = read_sections(raw, complaints)
    file_bands = _bands(file.bands, complaints) or DEFAULT_OCTAVES_HZ
    wanted = _bands(bands, complaints, "bands asked for") or file_bands
    finishes = Finishes(file, left_out, file_bands, wanted, complaints)
    _require(file, left_out, complaints)
    return _Reading(text, Path(path), file, left_out, wanted, finishes, complaints)


def _built(reading: _Reading) -> Built:
    """The room, or all complaints."""
    built = build(reading.file, reading.path.parent, reading.complaints)
    if built is None:
        _look_for_materials(reading.file, reading.finishes)
        reading.complaints.raise_any()
        raise SceneError(f"{reading.path}: the room cannot be built")
    return built


def _bare(reading: _Reading, built: Built) -> tuple[Scene, Wishes]:
    """The scene without its treatments, and those."""
    file, finishes, complaints = reading.file, reading.finishes, reading.complaints
    materials, assumed = finish(file, built.geometry, finishes, complaints)
    sources, receivers = make_places(file, built.handedness, complaints)
    check_places(file, built.geometry, built.prisms, complaints)
    climate = Climate(**file.climate.model_dump())
    folder, speed = reading.path.parent, climate.speed_of_sound
    sources, doubts = equip(
        file, reading.left_out, sources, folder, reading.bands_hz, speed, complaints
    )
    zones = _keep_clear(file, built, complaints)
    wishes = read_wishes(file, reading.left_out, finishes, complaints)
    complaints.raise_any()
    try:
        scene = assemble(
            built.geometry,
            materials,
            sources,
            receivers,
            handedness=built.handedness,
            climate=climate,
            bands_hz=reading.bands_hz,
            front=_front(facing_of(receivers), built.handedness),
            title=file.title or reading.path.stem,
            notes=[*built.notes, *assumed, *finishes.notes, *material_notes(materials)],
            warnings=[
                *built.warnings,
                *doubts,
                *layer_doubts(materials.values(), reading.bands_hz, climate),
            ],
            text=reading.text,
            path=reading.path.name,
            keep_clear=zones,
            tolerance_m=built.tolerance_m,
            further=wishes.further,
        )
    except SceneError as error:
        complaints.adopt(error)
        complaints.raise_any()
        raise
    blocked = zone_doubts(scene, built.faces)
    return replace(scene, warnings=(*scene.warnings, *blocked)), wishes


def _look_for_materials(file: SceneFile, finishes: Finishes) -> None:
    """Complain of materials that don't exist, where no room could be built of them."""
    for name, material in file.surfaces.items():
        finishes.find(material, ("surfaces", name))
    for table in ("objects", "patches"):
        for name, section in getattr(file, table).items():
            if section.material is not None:
                finishes.find(section.material, (table, name, "material"))


def _front(facing: Array, handedness: int) -> Array:
    """The axis that listeners face: always one in tape-measured rooms, in meshes if within 15°."""
    axis = int(np.abs(facing).argmax())
    if handedness > 0 and abs(facing[axis]) < np.cos(np.radians(15)):
        return facing
    front = np.zeros(3)
    front[axis] = np.sign(facing[axis])
    return front


def _bands(
    ends: Sequence[float] | None, complaints: Complaints, where: str = "bands"
) -> tuple[float, ...] | None:
    if ends is None:
        return None
    low, high = ends
    if low in TABLE_BANDS_HZ and high in TABLE_BANDS_HZ and low <= high:
        return octave_labels_hz(low, high)
    listed = ", ".join(f"{band:g}" for band in TABLE_BANDS_HZ)
    complaints.add(
        (where,), f"{low:g} to {high:g} Hz; give the lowest and the highest of {listed} Hz"
    )
    return None


def _require(file: SceneFile, left_out: set[tuple[str, ...]], complaints: Complaints) -> None:
    """Complain of what every scene needs and this file lacks."""
    gone = {path[0] for path in left_out}
    if file.room is None and "room" not in gone:
        complaints.add((), "there is no [room]; give one with size = [length, width, height]")
    examples = {
        "sources": "[sources.left] with position = [1.1, 0.6, 1.2]",
        "receivers": "[receivers.seat] with position = [1.7, 1.6, 1.2]",
    }
    for table, example in examples.items():
        if not getattr(file, table) and table not in gone:
            complaints.add((), f"there are no {table}; give at least one, for example {example}")


def _keep_clear(file: SceneFile, built: Built, complaints: Complaints) -> list[KeepClear]:
    zones = []
    for name, section in file.keep_clear.items():
        if section.on not in built.geometry.names:
            known = ", ".join(built.geometry.names[:12])
            complaints.add(
                ("keep_clear", name, "on"), f"there is no surface '{section.on}'; there are {known}"
            )
            continue
        if built.handedness < 0:
            _check_zone(name, section, built, complaints)
        if section.swing and not _is_wall(section.on, built):
            complaints.add(
                ("keep_clear", name, "swing"), f"'{section.on}' isn't a plumb wall; take it out"
            )
        hard = section.hard or bool(HARD.search(section.reason))
        zone = KeepClear(
            name,
            section.on,
            section.at,
            section.size,
            section.reason,
            hard,
            section.depth,
            section.swing or "",
        )
        zones.append(zone)
    return zones


def _is_wall(name: str, built: Built) -> bool:
    geometry = built.geometry
    a, b, c = geometry.vertices[
        geometry.triangles[geometry.group == geometry.names.index(name)]
    ].transpose(1, 0, 2)
    across = np.cross(b - a, c - a)
    return bool((np.abs(across[:, 2]) < 1e-3 * np.linalg.norm(across, axis=1)).all())


def _check_zone(name: str, section: KeepClearSection, built: Built, complaints: Complaints) -> None:
    """Complain of a zone larger than its surface's extent."""
    geometry = built.geometry
    rows = geometry.group == geometry.names.index(section.on)
    corners = geometry.vertices[np.unique(geometry.triangles[rows])]
    spread = np.ptp(corners, axis=0)
    level = spread[2] < 1e-3
    extent = spread[:2] if level else np.array([np.hypot(*spread[:2]), corners[:, 2].max()])
    start = corners.min(axis=0)[:2] if level else np.zeros(2)
    at = np.array(section.at) - start
    beyond = at + section.size - extent
    if at.min() < -1e-3 or beyond.max() > 1e-3:
        complaints.add(
            ("keep_clear", name),
            f"it reaches beyond '{section.on}', which is {extent[0]:.2f} x {extent[1]:.2f} m; "
            "give 'at' and 'size' within it",
        )
