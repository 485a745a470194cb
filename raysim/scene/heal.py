"""Meshes made fit to trace: closed, sharing vertices, facing the air; nothing done silently."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SceneError
from raysim.scene.cells import Cells, find_cells, parents, roomiest
from raysim.scene.geometry import Geometry
from raysim.scene.holes import closable, extent, lid, place_of, rims
from raysim.scene.weld import duplicate_mask, flat_mask, split_at_junctions, weld

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ROUNDS = 12
OPEN_ROOM_SHARE = 0.3
WIDER_TOLERANCES_M = (0.002, 0.005, 0.01, 0.02)
"""Tried on an open room, so that a larger one is only advised where it helps."""


class _OpenRoomError(SceneError):
    """The mesh is open; its text lacks the remedy."""


def heal(geometry: Geometry, tolerance_m: float = 0.001) -> Geometry:
    """Make one closed room of air out of triangles as modellers leave them.

    Vertices that coincide are joined, triangles without area and duplicates dropped, triangles cut
    where others' corners lie on their edges, holes up to 50 mm closed. Of the spaces the triangles
    part, the roomiest is the air: so of walls with two skins the inner one is chosen, closed bodies
    in the air are objects, and open ones are sheets with two sides. Winding in the file is ignored;
    normals point into the air. Done twice it changes nothing.

    Parameters
    ----------
    geometry : Geometry
        In metres, z up.
    tolerance_m : float
        Gaps up to this width between open edges are joined.

    Returns
    -------
    Geometry
        `owners` tells objects from the room, `notes` every repair with its count.

    Raises
    ------
    SceneError
        A room that is open, with the place and size of the opening; no triangles.
    """
    if not len(geometry.triangles):
        raise SceneError("mesh: it holds no triangles; export the room as a triangle mesh")
    try:
        return _healed(geometry, tolerance_m)
    except _OpenRoomError as problem:
        wider = next((t for t in WIDER_TOLERANCES_M if t > tolerance_m and _heals(geometry, t)), 0)
        hint = f', or set room.tolerance = "{1000 * wider:g}mm": the edges there meet within that'
        raise SceneError(f"{problem}{hint if wider else ''}") from None


def _heals(geometry: Geometry, tolerance_m: float) -> bool:
    try:
        _healed(geometry, tolerance_m)
    except SceneError:
        return False
    return True


def _healed(geometry: Geometry, tolerance_m: float) -> Geometry:
    notes: list[str] = []
    tidy = _tidy(geometry, tolerance_m, notes)
    tidy = _without_small_holes(tidy, notes)
    cells = find_cells(tidy.vertices, tidy.triangles)
    parent = parents(cells, tidy.vertices, tidy.triangles)
    air = roomiest(cells, parent)
    _refuse_open(tidy, cells, air)
    assert air is not None
    room = _facing_the_air(tidy, cells, parent, air, notes)
    kept = [note for note in geometry.notes if note not in notes]
    return replace(_compact(room), notes=(*kept, *notes))


def _pick(geometry: Geometry, rows: Ints | Bools) -> Geometry:
    return replace(
        geometry,
        triangles=geometry.triangles[rows],
        group=geometry.group[rows],
        sheet=geometry.sheet[rows],
    )


def _tidy(geometry: Geometry, tolerance_m: float, notes: list[str]) -> Geometry:
    """Join, drop and cut until the triangles share all their vertices."""
    joined = flat = doubled = cut = 0
    for _ in range(ROUNDS):
        before = geometry.triangles
        triangles, close = weld(geometry.vertices, geometry.triangles, tolerance_m)
        geometry = replace(geometry, triangles=triangles)
        no_area = flat_mask(geometry.vertices, triangles, tolerance_m / 100)
        geometry = _pick(geometry, ~no_area)
        twice = duplicate_mask(geometry.triangles)
        of_sheets = int((twice & geometry.sheet).sum())
        geometry = _pick(geometry, ~twice)
        triangles, origin = split_at_junctions(geometry.vertices, geometry.triangles, tolerance_m)
        cut += len(triangles) - len(geometry.triangles)
        geometry = replace(_pick(geometry, origin), triangles=triangles)
        joined += close
        flat += int(no_area.sum())
        doubled += int(twice.sum()) - of_sheets
        if not len(triangles):
            raise SceneError("mesh: none of its triangles has an area; check its unit and export")
        if len(before) == len(triangles) and np.array_equal(before, triangles):
            break
    mm = f"{1000 * tolerance_m:g} mm"
    _say(notes, joined, f"joined {_count(joined, 'vertex', 'vertices')} across gaps up to {mm}")
    _say(notes, flat, f"dropped {_count(flat, 'triangle')} without area")
    _say(notes, doubled, f"dropped {_count(doubled, 'duplicate triangle')}")
    _say(notes, cut, f"cut edges where corners of others lie on them: {cut} more triangles")
    return geometry


def _say(notes: list[str], count: int, sentence: str) -> None:
    if count:
        notes.append(sentence)


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _without_small_holes(geometry: Geometry, notes: list[str]) -> Geometry:
    found = rims(geometry.vertices, geometry.triangles)
    if not found:
        return geometry
    piece = find_cells(geometry.vertices, geometry.triangles).piece
    lids, group = [], []
    for rim in found:
        own = geometry.triangles[piece == piece[rim.rows[0] // 3]]
        if closable(rim, geometry.vertices, extent(geometry.vertices[own].reshape(-1, 3))):
            lids.append(lid(rim, geometry.vertices))
            beside = np.bincount(geometry.group[rim.rows // 3])
            group.append(np.full(len(lids[-1]), beside.argmax()))
            where = place_of(rim, geometry.vertices, geometry.group, geometry.names)
            notes.append(f"closed a hole {where}")
    if not lids:
        return geometry
    added = np.concatenate(lids)
    return replace(
        geometry,
        triangles=np.concatenate([geometry.triangles, added]),
        group=np.concatenate([geometry.group, *group]),
        sheet=np.concatenate([geometry.sheet, np.zeros(len(added), dtype=np.bool_)]),
    )


def _refuse_open(geometry: Geometry, cells: Cells, air: int | None) -> None:
    """A room is open where nothing is closed, or only something small within it."""
    found = rims(geometry.vertices, geometry.triangles)
    if air is not None:
        inner = _bounds(geometry, (cells.cell == air).any(axis=1))
        found = [
            rim
            for rim in found
            if _much_larger(_bounds(geometry, cells.piece == cells.piece[rim.rows[0] // 3]), inner)
        ]
        if not found:
            return
    if not found:
        raise SceneError(
            "mesh: it encloses no air although it has no open edges; "
            "check that it is in its true size and not flattened"
        )
    edges = sum(len(rim.rows) for rim in found)
    where = place_of(found[0], geometry.vertices, geometry.group, geometry.names)
    others = f" and {_count(len(found) - 1, 'other opening')}" if len(found) > 1 else ""
    raise _OpenRoomError(
        f"mesh: it is open along {_count(edges, 'edge')}, the largest opening {where}{others}; "
        "rays would leak there: close it in the modeller (a face of its own name for a doorway)"
    )


def _bounds(geometry: Geometry, rows: Bools) -> Array:
    points = geometry.vertices[geometry.triangles[rows]].reshape(-1, 3)
    return np.stack([points.min(axis=0), points.max(axis=0)])


def _much_larger(outer: Array, inner: Array) -> bool:
    """Whether a box holds most of another one that is small beside it."""
    overlap = np.minimum(outer[1], inner[1]) - np.maximum(outer[0], inner[0])
    size = inner[1] - inner[0]
    holds = bool((overlap > 0.5 * size).all())
    return holds and float(size.prod()) < OPEN_ROOM_SHARE * float((outer[1] - outer[0]).prod())


def _facing_the_air(
    geometry: Geometry, cells: Cells, parent: Ints, air: int, notes: list[str]
) -> Geometry:
    """Triangles that the air touches, wound to face it, sheets doubled."""
    in_air = [cells.outer(piece) for piece in np.flatnonzero(parent == air).tolist()]
    facing = np.isin(cells.cell, np.concatenate([np.array([air]), *in_air]))
    touched: Bools = facing[:, 0] | facing[:, 1]
    _say_left_out(geometry, cells, parent, air, ~touched, notes)
    front, back = facing[:, 0], facing[:, 1]
    turned = back & ~front
    _say(
        notes,
        int(turned.sum()),
        f"turned {int(turned.sum())} of {_count(int(touched.sum()), 'triangle')} to face the air",
    )
    both = front & back
    geometry = _with_owners(geometry, cells, int(cells.home[air]), touched, notes)
    names = sorted({geometry.names[g] for g in geometry.group[both]})
    if names:
        notes.append(f"air on both sides of {_listed(names)}: read as sheets with two sides")
    triangles = np.where(turned[:, None], geometry.triangles[:, ::-1], geometry.triangles)
    kept = _pick(replace(geometry, triangles=triangles, sheet=both), touched)
    rear = _pick(kept, kept.sheet)
    return replace(
        kept,
        triangles=np.concatenate([kept.triangles, rear.triangles[:, ::-1]]),
        group=np.concatenate([kept.group, rear.group]),
        sheet=np.concatenate([kept.sheet, rear.sheet]),
    )


def _say_left_out(
    geometry: Geometry, cells: Cells, parent: Ints, air: int, left: Bools, notes: list[str]
) -> None:
    skins = []
    piece = int(cells.home[air])
    while parent[piece] >= 0:
        piece = int(cells.home[parent[piece]])
        skins.append(piece)
    outer = left & np.isin(cells.piece, skins)
    _say(
        notes,
        int(outer.sum()),
        "the walls are modelled with their thickness: kept the inner skin, left out "
        f"{_count(int(outer.sum()), 'triangle')} of the outer",
    )
    rest = left & ~outer
    names = sorted({geometry.names[g] for g in geometry.group[rest]})
    _say(
        notes,
        int(rest.sum()),
        f"left out {_count(int(rest.sum()), 'triangle')} that the air of the room does not touch "
        f"({_listed(names)})",
    )


def _listed(names: list[str]) -> str:
    shown = [f"'{name}'" for name in names[:6]]
    return ", ".join(shown) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _with_owners(
    geometry: Geometry, cells: Cells, shell: int, kept: Bools, notes: list[str]
) -> Geometry:
    """Bodies in the air become objects named after their largest surface."""
    names, owners = list(geometry.names), list(geometry.owners)
    group = geometry.group.copy()
    corners = geometry.vertices[geometry.triangles]
    area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    of_room = set(geometry.group[kept & (cells.piece == shell)].tolist())
    found: dict[str, bool] = {}
    for piece in np.unique(cells.piece[kept & (cells.piece != shell)]):
        rows = np.flatnonzero(kept & (cells.piece == piece))
        largest = int(np.bincount(geometry.group[rows], area[rows]).argmax())
        given = owners[largest]
        owner = given if given != "room" else _object_name(names[largest], largest in of_room)
        for g in np.unique(geometry.group[rows]).tolist():
            name = _object_name(names[g], g in of_room)
            own_rows = rows[geometry.group[rows] == g]
            wanted = owner if owners[g] == "room" else owners[g]
            group[own_rows] = _entry(names, owners, g, name, wanted, of_room)
        found[owner] = True
    if found:
        notes.append(f"bodies in the air, read as objects: {_listed(sorted(found))}")
    return replace(geometry, names=tuple(names), owners=tuple(owners), group=group)


def _object_name(name: str, shared: bool) -> str:
    return f"{name} object" if shared else name


def _entry(
    names: list[str], owners: list[str], group: int, name: str, owner: str, of_room: set[int]
) -> int:
    """Index of a surface of an object, added where its name belongs to the room as well."""
    if group not in of_room:
        owners[group] = owner
        return group
    for k, pair in enumerate(zip(names, owners, strict=True)):
        if pair == (name, owner):
            return k
    names.append(name)
    owners.append(owner)
    return len(names) - 1


def _compact(geometry: Geometry) -> Geometry:
    """Only vertices and names in use, in their old order."""
    used, triangles = np.unique(geometry.triangles, return_inverse=True)
    groups, group = np.unique(geometry.group, return_inverse=True)
    return replace(
        geometry,
        vertices=geometry.vertices[used],
        triangles=triangles.reshape(-1, 3).astype(np.int64),
        group=group.ravel().astype(np.int64),
        names=tuple(geometry.names[g] for g in groups),
        owners=tuple(geometry.owners[g] for g in groups),
    )
