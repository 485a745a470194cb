"""The geometry that a scene file describes: room, things and patches."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SceneError
from raysim.scene.assemble import enclosed_volume
from raysim.scene.complaints import Complaints
from raysim.scene.faces import Face
from raysim.scene.geometry import Geometry
from raysim.scene.heal import heal
from raysim.scene.imported import read_mesh
from raysim.scene.lines import Path as KeyPath
from raysim.scene.rooms import (
    HANDEDNESS,
    Patch,
    Prism,
    Room,
    bodies,
    box_room,
    furnish,
    outline_room,
    prism,
)
from raysim.scene.schema import ObjectSection, RoomSection, SceneFile
from raysim.scene.sizes import extent_of, refuse_odd_size, size_doubts, volume_doubts

Array = NDArray[np.float64]

TOLERANCE_M = 0.001
RESERVED_NAMES = ("room", "air", "outside")


@dataclass(frozen=True)
class Built:
    """Closed geometry with what a later step needs to know of its making.

    `faces` are those of the bare tape-measured room; `with_more` makes the geometry anew with
    more things in it: prisms (in tape-measured rooms only) and closed bodies.
    """

    geometry: Geometry
    prisms: tuple[Prism, ...]
    handedness: int
    notes: tuple[str, ...]
    warnings: tuple[str, ...]
    tolerance_m: float | None = None
    faces: tuple[Face, ...] = ()
    with_more: Callable[[Sequence[Prism], Sequence[Geometry]], Geometry] | None = None


def build(file: SceneFile, folder: Path, complaints: Complaints) -> Built | None:
    """Geometry of the file's room with its things; None after complaints."""
    if file.room is None or not _one_form(file.room, complaints):
        return None
    _refuse_names(file, complaints)
    prisms = _prisms(file, complaints)
    try:
        if file.room.mesh is not None:
            return _from_mesh(file, file.room, folder, prisms, complaints)
        return _from_tape(file, file.room, folder, prisms, complaints)
    except SceneError as error:
        complaints.adopt(error)
        return None


def _one_form(room: RoomSection, complaints: Complaints) -> bool:
    """Whether the room is described in one whole way."""
    given = [key for key in ("size", "outline", "mesh") if getattr(room, key) is not None]
    path = ("room",)
    if len(given) != 1:
        which = " and ".join(given) if given else "none of them"
        complaints.add(path, f"give one of 'size', 'outline' or 'mesh'; {which} given")
        return False
    (form,) = given
    allowed = {
        "size": {"size"},
        "outline": {"outline", "height", "ceiling"},
        "mesh": {"mesh", "unit", "up"},
    }[form] | {"tolerance", "unusual_size"}
    extra = sorted(room.model_fields_set - allowed)
    for key in extra:
        complaints.add((*path, key), f"it says nothing beside '{form}'; take it out")
    if form == "outline" and (room.height is None) == (room.ceiling is None):
        complaints.add(
            (*path, "outline"),
            "an outline needs either 'height' or 'ceiling' [[x, y, z], ...], one point above "
            "each corner",
        )
        return False
    return not extra


def _refuse_names(file: SceneFile, complaints: Complaints) -> None:
    for table in ("objects", "patches"):
        for name in getattr(file, table):
            if name in RESERVED_NAMES:
                complaints.add((table, name), f"the name '{name}' is taken; choose another")


def _prisms(file: SceneFile, complaints: Complaints) -> list[Prism]:
    made = []
    for name, thing in file.objects.items():
        if not _thing_form(("objects", name), thing, complaints) or thing.mesh is not None:
            continue
        try:
            made.append(_prism(name, thing))
        except SceneError as error:
            complaints.adopt(error)
    return made


def _thing_form(path: KeyPath, thing: ObjectSection, complaints: Complaints) -> bool:
    forms = {"box": {"box"}, "at": {"at", "size"}, "prism": {"prism", "z"}}
    forms["mesh"] = {"mesh", "unit", "up"}
    given = thing.model_fields_set - {"material"}
    form = next((keys for first, keys in forms.items() if first in given), set())
    needed = form - {"up"}
    if form and needed <= given <= form:
        return True
    complaints.add(
        path,
        "give its place as 'box' [[x, y, z], [x, y, z]], or 'at' and 'size', or 'prism' and 'z', "
        "or 'mesh' and 'unit'",
    )
    return False


def _prism(name: str, thing: ObjectSection) -> Prism:
    if thing.prism is not None and thing.z is not None:
        return prism(name, thing.prism, *thing.z)
    if thing.box is not None:
        ends = np.sort(np.array(thing.box), axis=0)
    else:
        assert thing.at is not None
        assert thing.size is not None
        ends = np.array([thing.at, np.add(thing.at, thing.size)])
    (x, y, low), (far_x, far_y, high) = ends
    return prism(name, [(x, y), (far_x, y), (far_x, far_y), (x, far_y)], low, high)


def _from_tape(
    file: SceneFile,
    section: RoomSection,
    folder: Path,
    prisms: Sequence[Prism],
    complaints: Complaints,
) -> Built | None:
    refuse_odd_size(extent_of(section), section)
    if section.size is not None:
        room = box_room(section.size)
    else:
        assert section.outline is not None
        room = outline_room(section.outline, section.ceiling or section.height or 0.0)
    patches = _patches(file, room, complaints)
    geometry = furnish(room, prisms, patches)
    meshes = _object_meshes(file, folder, complaints)
    if meshes:
        bare = enclosed_volume(geometry)
        geometry = heal(joined([geometry, *meshes]), TOLERANCE_M)
        _refuse_lost(file, geometry, bare, complaints)
    notes = []
    if section.tolerance is not None:
        notes.append(
            f"lengths are stated to ±{1000 * section.tolerance:g} mm; delays of reflections, "
            "frequencies of modes and the volume carry it, other results don't"
        )
    doubts = (*size_doubts(section), *volume_doubts(enclosed_volume(geometry), section))

    def with_more(more: Sequence[Prism], bodies: Sequence[Geometry]) -> Geometry:
        made = furnish(room, [*prisms, *more], patches)
        return heal(joined([made, *meshes, *bodies]), TOLERANCE_M) if meshes or bodies else made

    return Built(
        geometry,
        tuple(prisms),
        HANDEDNESS,
        tuple(notes),
        doubts,
        section.tolerance,
        room.faces,
        with_more,
    )


def _patches(file: SceneFile, room: Room, complaints: Complaints) -> list[Patch]:
    taken = {face.name for face in room.faces} | set(file.objects)
    made = []
    for name, patch in file.patches.items():
        if name in taken:
            complaints.add(("patches", name), f"'{name}' names a surface already; choose another")
        else:
            made.append(Patch(name, patch.on, patch.at, patch.size))
    return made


def _from_mesh(
    file: SceneFile,
    section: RoomSection,
    folder: Path,
    prisms: Sequence[Prism],
    complaints: Complaints,
) -> Built | None:
    for name in file.patches:
        complaints.add(
            ("patches", name),
            "patches are cut into tape-measured rooms only; in a mesh, name those triangles as a "
            "group of their own",
        )
    tolerance_m = section.tolerance or TOLERANCE_M
    assert section.mesh is not None
    path = _mesh_file(folder, section.mesh, "room.mesh")
    try:
        geometry = read_mesh(path, unit=section.unit, up=section.up)
        clash = sorted(set(geometry.names) & set(file.objects))
        for name in clash:
            complaints.add(("objects", name), f"the mesh has a group '{name}'; choose another name")
        things = [*bodies(prisms), *_object_meshes(file, folder, complaints)]
        refuse_odd_size(np.ptp(geometry.vertices, axis=0), section)
        healed = heal(joined([geometry, *things]), tolerance_m)
        bare = enclosed_volume(heal(geometry, tolerance_m)) if things else np.inf
        _refuse_lost(file, healed, bare, complaints)
    except SceneError as error:
        for sentence in error.complaints:
            complaints.add(("room", "mesh"), sentence.removeprefix("room.mesh: "))
        return None

    def with_more(_: Sequence[Prism], bodies: Sequence[Geometry]) -> Geometry:
        return heal(joined([geometry, *things, *bodies]), tolerance_m)

    doubts = tuple(volume_doubts(enclosed_volume(healed), section))
    return Built(healed, tuple(prisms), 1, (), doubts, with_more=with_more)


def _refuse_lost(
    file: SceneFile, geometry: Geometry, bare_m3: float, complaints: Complaints
) -> None:
    """Complain of things that ended up outside the air, or around it."""
    if enclosed_volume(geometry) > bare_m3 * (1 + 1e-6):
        raise SceneError("a thing is larger than the room around it; check the units of its mesh")
    for name in file.objects:
        if name not in geometry.names:
            complaints.add(
                ("objects", name),
                "it lies wholly outside the room; check its position and unit",
            )


def _mesh_file(folder: Path, name: str, where: str) -> Path:
    path = folder / name
    if not path.is_file():
        state = "is a folder" if path.is_dir() else "does not exist"
        raise SceneError(f"{where}: {path} {state}; give the mesh file's path from the scene file")
    return path


def _object_meshes(file: SceneFile, folder: Path, complaints: Complaints) -> list[Geometry]:
    made = []
    for name, thing in file.objects.items():
        if thing.mesh is None or thing.unit is None:
            continue
        where = f"objects.{name}"
        try:
            path = _mesh_file(folder, thing.mesh, f"{where}.mesh")
            body = read_mesh(path, unit=thing.unit, up=thing.up)
        except SceneError as error:
            for sentence in error.complaints:
                complaints.add(("objects", name, "mesh"), sentence.removeprefix(f"{where}.mesh: "))
            continue
        made.append(
            replace(body, group=np.zeros_like(body.group), names=(name,), owners=(name,), notes=())
        )
    return made


def joined(parts: Sequence[Geometry]) -> Geometry:
    """Several geometries side by side as one; nothing is welded."""
    names = list(dict.fromkeys(name for part in parts for name in part.names))
    owners = {
        n: o for part in reversed(parts) for n, o in zip(part.names, part.owners, strict=True)
    }
    first = np.cumsum([0, *(len(part.vertices) for part in parts)])
    return Geometry(
        vertices=np.concatenate([part.vertices for part in parts]),
        triangles=np.concatenate([p.triangles + n for p, n in zip(parts, first, strict=False)]),
        group=np.concatenate(
            [np.array([names.index(n) for n in p.names], dtype=np.int64)[p.group] for p in parts]
        ),
        names=tuple(names),
        owners=tuple(owners[name] for name in names),
        sheet=np.concatenate([part.sheet for part in parts]),
        notes=tuple(note for part in parts for note in part.notes),
    )
