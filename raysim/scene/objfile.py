"""OBJ files with their named groups, objects and materials."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import mapbox_earcut
import numpy as np
from numpy.typing import NDArray

from raysim.errors import SceneError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

NAMING = {"g": "groups", "o": "objects", "usemtl": "materials"}


@dataclass
class _Lines:
    """What has been read so far."""

    points: list[list[float]] = field(default_factory=list)
    polygons: list[list[int]] = field(default_factory=list)
    labels: dict[str, list[str]] = field(default_factory=lambda: {k: [] for k in NAMING})
    now: dict[str, str] = field(default_factory=lambda: dict.fromkeys(NAMING, ""))


def read_obj(path: Path) -> tuple[Array, Ints, list[str]]:
    """Vertices, triangles and the surface name of each triangle.

    Triangles are named by groups (g), objects (o) or materials (usemtl), whichever makes the most
    different names. Polygons may be concave.

    Raises
    ------
    SceneError
        A line that cannot be read, with its number.
    """
    text = path.read_bytes().decode("utf-8", errors="replace").replace("\\\n", " ")
    read = _Lines()
    for number, line in enumerate(text.splitlines(), start=1):
        words = line.split("#", 1)[0].split()
        if words:
            try:
                _take(words, read)
            except ValueError as error:
                raise SceneError(
                    f"{path.name} line {number}: '{line.strip()[:40]}' {error}; "
                    "export the mesh again as OBJ text"
                ) from None
    points = np.array(read.points, dtype=np.float64).reshape(-1, 3)
    level = max(NAMING, key=lambda key: len(set(read.labels[key]) - {""}))
    triangles: list[Ints] = []
    names: list[str] = []
    for polygon, name in zip(read.polygons, read.labels[level], strict=True):
        cut = _cut(polygon, points)
        triangles.extend(cut)
        names.extend([name or "mesh"] * len(cut))
    return points, np.array(triangles, dtype=np.int64).reshape(-1, 3), names


def _take(words: list[str], read: _Lines) -> None:
    key, *rest = words
    if key == "v":
        if len(rest) < 3:
            raise ValueError("has fewer than three coordinates")
        read.points.append([_number(word) for word in rest[:3]])
    elif key == "f":
        if len(rest) < 3:
            raise ValueError("has fewer than three corners")
        read.polygons.append([_corner(word, len(read.points)) for word in rest])
        for level, name in read.now.items():
            read.labels[level].append(name)
    elif key in NAMING:
        read.now[key] = " ".join(rest) if key != "g" else (rest[0] if rest else "")


def _number(word: str) -> float:
    try:
        return float(word)
    except ValueError:
        raise ValueError(f"holds '{word[:12]}' where a number should be") from None


def _corner(word: str, count: int) -> int:
    """Index from 0 of a corner such as '7', '7/1/3' or '-1'."""
    try:
        given = int(word.split("/", 1)[0])
    except ValueError:
        raise ValueError(f"holds '{word[:12]}' where a vertex number should be") from None
    index = given - 1 if given > 0 else count + given
    if not 0 <= index < count:
        raise ValueError(f"names vertex {given}, but there are {count} so far")
    return index


def _cut(polygon: list[int], points: Array) -> list[Ints]:
    """Triangles of a polygon, concave ones by their best plane."""
    corners = np.array(polygon, dtype=np.int64)
    if len(corners) == 3:
        return [corners]
    where = points[corners]
    if not np.isfinite(where).all():
        return [corners[[0, k, k + 1]] for k in range(1, len(corners) - 1)]
    around = np.roll(where, -1, axis=0)
    normal = np.cross(where - where[0], around - where[0]).sum(axis=0)
    drop = int(np.abs(normal).argmax())
    plane = np.delete(where, drop, axis=1)
    order = mapbox_earcut.triangulate_float64(
        np.ascontiguousarray(plane), np.array([len(plane)], dtype=np.uint32)
    )
    return list(corners[order.astype(np.int64).reshape(-1, 3)])
