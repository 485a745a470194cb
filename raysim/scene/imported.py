"""Mesh files to named triangles in metres, z up; what a file does not tell is guessed and said."""

from __future__ import annotations

import json
import logging
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SceneError
from raysim.scene.geometry import Geometry
from raysim.scene.guesses import METRES, guess_unit, guess_up, turned_up
from raysim.scene.objfile import read_obj

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SUFFIXES = (".obj", ".stl", ".ply", ".glb", ".gltf", ".off", ".3mf")
UNITS_OF_3MF = {
    "meter": "m",
    "meters": "m",
    "centimeter": "cm",
    "centimeters": "cm",
    "millimeter": "mm",
    "millimeters": "mm",
    "inch": "in",
    "inches": "in",
    "foot": "ft",
    "feet": "ft",
}


def read_mesh(path: str | Path, unit: str | None = None, up: str | None = None) -> Geometry:
    """Read a mesh file; nothing is repaired (see `heal`).

    Parameters
    ----------
    path : str or Path
        OBJ, STL, PLY, GLB, glTF, OFF or 3MF.
    unit : {'m', 'cm', 'mm', 'in', 'ft'}, optional
        None guesses it: the one in which the mesh is most likely a small room.
    up : {'x', 'y', 'z'}, optional
        Axis of the file that points up. None takes what the format says (y for glTF), else
        guesses between y and z by names, height and the area of level faces.

    Returns
    -------
    Geometry
        Names are those of the file's groups; `notes` says what was guessed.

    Raises
    ------
    SceneError
        A file that cannot be read, holds no triangles, coordinates that are not numbers, or a
        size that is a room in no unit.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise SceneError(
            f"{path.name}: meshes of type '{suffix or 'without suffix'}' are not read; "
            f"export it as one of {', '.join(s[1:].upper() for s in SUFFIXES)}"
        )
    try:
        empty = path.stat().st_size == 0
    except OSError as error:
        raise SceneError(f"{path}: {_reason(error)}; check the path") from None
    if empty:
        raise SceneError(f"{path.name}: the file is empty; export the mesh again")
    stated = None
    try:
        if suffix == ".obj":
            vertices, triangles, labels = read_obj(path)
        else:
            vertices, triangles, labels, stated = _by_trimesh(path)
    except OSError as error:
        raise SceneError(f"{path}: {_reason(error)}; check the path and its rights") from None
    _refuse_unusable(path.name, vertices, triangles)
    names = list(dict.fromkeys(labels))
    index = {name: k for k, name in enumerate(names)}
    group = np.array([index[label] for label in labels], dtype=np.int64)
    corners = vertices[triangles]
    extent = np.ptp(corners.reshape(-1, 3), axis=0)

    notes = []
    if unit is None:
        unit, note = guess_unit(path.name, extent, stated)
        notes.append(f"{path.name}: {note}")
    vertices = vertices * METRES[unit]
    if up is None:
        said = "y" if suffix in (".glb", ".gltf") else None
        up, note = guess_up(vertices[triangles], group, names, said)
        notes.append(f"{path.name}: {note}")
    return Geometry(
        vertices=turned_up(vertices, up),
        triangles=triangles,
        group=group,
        names=tuple(names),
        owners=("room",) * len(names),
        sheet=np.zeros(len(triangles), dtype=np.bool_),
        notes=tuple(notes),
    )


def _reason(error: OSError) -> str:
    return (error.strerror or str(error)).lower()


def _refuse_unusable(name: str, vertices: Array, triangles: Ints) -> None:
    if not len(triangles):
        raise SceneError(f"{name}: it holds no triangles; export the room's faces as a mesh")
    if triangles.min() < 0 or triangles.max() >= len(vertices):
        raise SceneError(
            f"{name}: a face names vertex {int(triangles.max())}, but there are {len(vertices)}; "
            "the file is damaged, export it again"
        )
    wrong = np.flatnonzero(~np.isfinite(vertices).all(axis=1))
    if len(wrong):
        raise SceneError(
            f"{name}: {len(wrong)} of {len(vertices)} vertices are not finite numbers, the first "
            f"is number {wrong[0] + 1}; the file is damaged, export it again"
        )


def _by_trimesh(path: Path) -> tuple[Array, Ints, list[str], str | None]:
    """Vertices, triangles, the name of each triangle, and the unit where the format states one."""
    import trimesh  # takes long; most scenes come from a tape measure

    logging.getLogger("trimesh").setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            if path.suffix.lower() == ".gltf":
                json.loads(path.read_bytes())  # else the reader looks for another file
            scene = trimesh.load_scene(str(path), process=False)
            vertices, triangles, names = _flattened(scene)
    except FileNotFoundError as error:
        missing = Path(error.filename or str(error)).name
        raise SceneError(
            f"{path.name}: it refers to '{missing}', which is not there; "
            "put the files it was exported with beside it, or export it as GLB"
        ) from None
    except OSError:
        raise
    # a reader of damaged files may fail in any way
    except Exception:
        kind = path.suffix[1:].upper()
        raise SceneError(
            f"{path.name}: it cannot be read as {kind}; "
            "the file is damaged or of another type, export it again"
        ) from None
    stated = None
    if path.suffix.lower() in (".glb", ".gltf"):
        stated = "m"
    elif path.suffix.lower() == ".3mf":
        stated = UNITS_OF_3MF.get(str(scene.units or "millimeter").lower())
    return vertices, triangles, names, stated


def _flattened(scene: Any) -> tuple[Array, Ints, list[str]]:
    """All bodies of a file in one list, each where its node puts it."""
    import trimesh

    vertices, triangles, nodes, materials, counts = [], [], [], [], []
    first = 0
    for node in scene.graph.nodes_geometry:
        transform, name = scene.graph[node]
        body = scene.geometry[name]
        if not isinstance(body, trimesh.Trimesh):
            continue
        points = np.asarray(body.vertices, dtype=np.float64)
        vertices.append(points @ transform[:3, :3].T + transform[:3, 3])
        triangles.append(np.asarray(body.faces, dtype=np.int64).reshape(-1, 3) + first)
        first += len(points)
        nodes.append(str(node))
        materials.append(str(getattr(getattr(body.visual, "material", None), "name", None) or ""))
        counts.append(len(body.faces))
    if not vertices:
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), []
    labels = materials if len(set(materials) - {""}) > len(set(nodes)) else nodes
    if len(labels) == 1 and (labels[0].startswith("geometry_") or "." in labels[0]):
        labels = ["mesh"]  # a name the reader made up
    named = [
        label or "mesh" for label, count in zip(labels, counts, strict=True) for _ in range(count)
    ]
    return np.concatenate(vertices), np.concatenate(triangles), named
