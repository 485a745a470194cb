"""Scenes without files, for tests of everything above the scene."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import trimesh

from raysim.air import Climate
from raysim.bands import DEFAULT_OCTAVES_HZ
from raysim.scene.assemble import assemble
from raysim.scene.data import Material, Receiver, Scene, Source
from raysim.scene.geometry import Geometry
from raysim.scene.rooms import HANDEDNESS, Patch, Prism, box_room, furnish
from raysim.scene.rooms import outline_room as bare_outline_room
from raysim.scene.variants import Cover
from raysim.solvers.pack import Packed, pack

Values = float | Sequence[float]
PerSurface = Values | Mapping[str, Values]
Points = Sequence[Sequence[float]]


def shoebox(
    size: Sequence[float] = (4.0, 3.0, 2.5),
    absorption: PerSurface = 0.2,
    scattering: PerSurface = 0.1,
    sources: Points = ((1.0, 1.0, 1.2),),
    receivers: Points = ((2.0, 2.5, 1.3),),
    prisms: Sequence[Prism] = (),
    patches: Sequence[Patch] = (),
    **more: object,
) -> Scene:
    """Box of length, width, height in m; surfaces front, rear, left, right, floor, ceiling.

    x runs 0..width, y runs 0..length. `absorption` and `scattering`: one number, one per band, or
    a mapping of surface name to either, where the key "other" stands for all not named.
    """
    geometry = furnish(box_room(size), prisms, patches)
    return from_geometry(geometry, absorption, scattering, sources, receivers, **more)


def outline_room(
    outline: Points,
    ceiling: float | Points = 2.5,
    absorption: PerSurface = 0.2,
    scattering: PerSurface = 0.1,
    sources: Points = ((1.0, 1.0, 1.2),),
    receivers: Points = ((2.0, 2.5, 1.3),),
    prisms: Sequence[Prism] = (),
    patches: Sequence[Patch] = (),
    **more: object,
) -> Scene:
    """Room over an outline; surfaces wall1.., floor, ceiling. As `shoebox` otherwise."""
    geometry = furnish(bare_outline_room(outline, ceiling), prisms, patches)
    return from_geometry(geometry, absorption, scattering, sources, receivers, **more)


def sphere_room(
    radius: float = 2.0,
    subdivisions: int = 3,
    absorption: Values = 0.2,
    scattering: Values = 1.0,
    sources: Points = ((0.0, 0.0, 0.0),),
    receivers: Points = ((0.5, 0.0, 0.0),),
    **more: object,
) -> Scene:
    """Icosahedral sphere (20 * 4^subdivisions triangles) about the origin; surface 'sphere'."""
    ball = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius)
    triangles = np.asarray(ball.faces, dtype=np.int64)[:, ::-1]
    geometry = Geometry(
        vertices=np.asarray(ball.vertices, dtype=np.float64),
        triangles=np.ascontiguousarray(triangles),
        group=np.zeros(len(triangles), dtype=np.int64),
        names=("sphere",),
        owners=("room",),
        sheet=np.zeros(len(triangles), dtype=bool),
    )
    more.setdefault("handedness", 1)
    return from_geometry(geometry, absorption, scattering, sources, receivers, **more)


def from_geometry(
    geometry: Geometry,
    absorption: PerSurface = 0.2,
    scattering: PerSurface = 0.1,
    sources: Points = ((1.0, 1.0, 1.2),),
    receivers: Points = ((2.0, 2.5, 1.3),),
    *,
    bands_hz: Sequence[float] = DEFAULT_OCTAVES_HZ,
    climate: Climate | None = None,
    facing: Sequence[float] = (0.0, -1.0, 0.0),
    levels_db: Sequence[float] | None = None,
    handedness: int = HANDEDNESS,
    title: str = "made for a test",
) -> Scene:
    """Scene of a closed geometry, one material a surface, receivers facing `facing`."""
    materials = {
        name: material(name, _of(absorption, name), _of(scattering, name), bands_hz)
        for name in geometry.names
    }
    levels = levels_db or [0.0] * len(sources)
    return assemble(
        geometry,
        materials,
        [
            Source(f"source{k + 1}", np.array(p, dtype=float), np.array([0.0, 1.0, 0.0]), level)
            for k, (p, level) in enumerate(zip(sources, levels, strict=True))
        ],
        [
            Receiver(f"receiver{k + 1}", np.array(p, dtype=float), np.array(facing, dtype=float))
            for k, p in enumerate(receivers)
        ],
        handedness=handedness,
        climate=climate,
        bands_hz=bands_hz,
        title=title,
    )


def pack_box(
    absorption: PerSurface, panel: float, *covered: Sequence[float] | None
) -> tuple[Scene, Packed]:
    """A box that scatters by band, in variants: with a panel that covers part of its floor.

    `panel` is its absorption; `covered` the part in each variant (u, v, far u, far v), m, or None.
    """
    scene = shoebox(
        (3.0, 4.0, 2.5),
        absorption,
        {"floor": (0.2, 0.5), "other": (0.4, 0.1)},
        bands_hz=(500, 2000),
        sources=[(1.0, 1.1, 1.2)],
        receivers=[(2.0, 2.5, 1.3), (0.8, 3.1, 1.1)],
    )
    materials = (*scene.materials, material("panel", panel, 0.6, scene.bands_hz))
    scene = replace(scene, materials=materials)
    floor = next(i for i, f in enumerate(scene.facets) if f.normal[2] > 0.9)
    covers = [() if r is None else (Cover(floor, tuple(r), len(materials) - 1),) for r in covered]
    return scene, pack(scene, 0.25, covers, growth=0.1)


def material(
    name: str, absorption: Values, scattering: Values, bands_hz: Sequence[float]
) -> Material:
    """Material whose range is a point; one number stands for all bands."""
    alpha = np.broadcast_to(np.asarray(absorption, dtype=float), len(bands_hz)).copy()
    s = np.broadcast_to(np.asarray(scattering, dtype=float), len(bands_hz)).copy()
    return Material(name, alpha, s, alpha, alpha, "made for a test")


def _of(values: PerSurface, name: str) -> Values:
    if not isinstance(values, Mapping):
        return values
    return values[name] if name in values else values["other"]
