"""Closed geometry, materials and places put together to a Scene."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.air import Climate
from raysim.bands import DEFAULT_OCTAVES_HZ
from raysim.errors import SceneError
from raysim.scene.data import KeepClear, Material, Mesh, Receiver, Scene, Source, Surface
from raysim.scene.facets import find_facets
from raysim.scene.geometry import Geometry

Array = NDArray[np.float64]

LEAST_AGREEMENT = 0.3


def assemble(
    geometry: Geometry,
    materials: Mapping[str, Material],
    sources: Sequence[Source],
    receivers: Sequence[Receiver],
    *,
    handedness: int,
    climate: Climate | None = None,
    bands_hz: Sequence[float] = DEFAULT_OCTAVES_HZ,
    title: str = "",
    front: Array | None = None,
    notes: Sequence[str] = (),
    warnings: Sequence[str] = (),
    text: str = "",
    path: str = "",
    keep_clear: Sequence[KeepClear] = (),
    tolerance_m: float | None = None,
    further: Sequence[Material] = (),
) -> Scene:
    """Scene of a closed geometry.

    Parameters
    ----------
    geometry : Geometry
        Closed; normals by the right-hand rule of the stored axes point into the air.
    materials : mapping of surface name to Material
        One for every name of the geometry; (bands,) values.
    sources, receivers : sequences
    handedness : int
        +1 for meshes, -1 for tape-measured rooms (see `raysim.scene.data`).
    front : (3,) float, optional
        Horizontal direction a listener faces; by default the mean facing of the receivers.
    further : sequence of Material
        Materials of the scene that no surface has: of treatments and variants.

    Returns
    -------
    Scene

    Raises
    ------
    SceneError
        A surface without material, or normals that enclose no air.
    """
    volume = _refuse_unfit(geometry, materials)
    front = facing_of(receivers) if front is None else front
    geometry = _used(geometry)
    facet, facets = find_facets(geometry, front=front, handedness=handedness)
    listed, surfaces = _surfaces(geometry, materials, further)
    mesh = Mesh(geometry.vertices, geometry.triangles, geometry.group, facet, geometry.sheet)
    return Scene(
        title=title,
        mesh=mesh,
        surfaces=surfaces,
        facets=facets,
        materials=listed,
        sources=tuple(sources),
        receivers=tuple(receivers),
        climate=climate or Climate(),
        bands_hz=tuple(bands_hz),
        volume=volume,
        front=front,
        handedness=handedness,
        notes=(*geometry.notes, *notes),
        warnings=tuple(warnings),
        text=text,
        path=path,
        mesh_sha256=digest(mesh),
        keep_clear=tuple(keep_clear),
        tolerance_m=tolerance_m,
    )


def _refuse_unfit(geometry: Geometry, materials: Mapping[str, Material]) -> float:
    """The volume, m3, of a room that has all it needs."""
    missing = [name for name in geometry.names if name not in materials]
    if missing:
        raise SceneError(f"surfaces: no material for {', '.join(missing)}; give each one")
    volume = enclosed_volume(geometry)
    if not volume > 0:
        raise SceneError(
            f"room: its faces enclose {volume:.2f} m3 of air; "
            "normals must point into the room and things must not fill it"
        )
    return volume


def _surfaces(
    geometry: Geometry, materials: Mapping[str, Material], further: Sequence[Material]
) -> tuple[tuple[Material, ...], tuple[Surface, ...]]:
    """Every material once, and the surfaces with theirs."""
    every = [*(materials[name] for name in geometry.names), *further]
    listed = tuple({id(material): material for material in every}.values())
    index = {id(material): k for k, material in enumerate(listed)}
    surfaces = tuple(
        Surface(name, index[id(materials[name])], owner)
        for name, owner in zip(geometry.names, geometry.owners, strict=True)
    )
    return listed, surfaces


def facing_of(receivers: Sequence[Receiver]) -> Array:
    """Horizontal unit vector of the receivers' mean facing; the first one's where they disagree."""
    if not receivers:
        return np.array([0.0, -1.0, 0.0])
    facings = [np.asarray(r.facing * (1.0, 1.0, 0.0)) for r in receivers]
    mean = np.mean(facings, axis=0)
    if np.linalg.norm(mean) < LEAST_AGREEMENT:
        mean = facings[0]
    return np.asarray(mean / np.linalg.norm(mean))


def enclosed_volume(geometry: Geometry) -> float:
    """Air enclosed by the triangles, free-standing sheets left out, m3 (divergence theorem)."""
    a, b, c = geometry.vertices[geometry.triangles[~geometry.sheet]].transpose(1, 0, 2)
    return float(-np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def digest(mesh: Mesh) -> str:
    """SHA-256 of vertices, triangles and surfaces as little-endian bytes."""
    sha = hashlib.sha256()
    for values, kind in ((mesh.vertices, "<f8"), (mesh.triangles, "<i8"), (mesh.surface, "<i8")):
        sha.update(np.ascontiguousarray(values, dtype=kind).tobytes())
    return sha.hexdigest()


def _used(geometry: Geometry) -> Geometry:
    """The geometry without names that no triangle has."""
    names = geometry.names
    used = [name for k, name in enumerate(names) if np.any(geometry.group == k)]
    if len(used) == len(names):
        return geometry
    old = [names.index(name) for name in used]
    new = np.full(len(names), -1, dtype=np.int64)
    new[old] = np.arange(len(used))
    return Geometry(
        geometry.vertices,
        geometry.triangles,
        new[geometry.group],
        tuple(used),
        tuple(geometry.owners[k] for k in old),
        geometry.sheet,
        geometry.notes,
    )
