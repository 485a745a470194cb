"""A scene as labelled arrays and back, bit by bit."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from raysim.air import Climate
from raysim.loudspeakers.directivity import AZIMUTHS_DEG, ELEVATIONS_DEG, SHAPE, Directivity
from raysim.results.facets_group import Read, facets_from, facets_group
from raysim.results.layout import Group, Variable, band_axis, index_axis, word_axis, words
from raysim.results.treatments_group import (
    treatments_from,
    treatments_group,
    variants_from,
)
from raysim.scene.data import (
    KeepClear,
    Material,
    Mesh,
    Receiver,
    Scene,
    Shell,
    Source,
    Surface,
)
from raysim.surfaces.construction import Construction
from raysim.surfaces.grammar import parse_layers

LAYER_SEPARATOR = "; "
OMNI = "omnidirectional"


def scene_group(scene: Scene) -> Group:
    """Everything that a report or a further run needs of the scene."""
    return {
        **band_axis(scene),
        "axis": word_axis("axis", "xyz", "axis of the room"),
        "frame": word_axis("frame", "uv", "axis of a facet: u to the right, v up from inside"),
        "front": Variable(("axis",), scene.front, "1", "unit vector to the front of the room"),
        "note": word_axis("note", scene.notes, "what reading the scene guessed or repaired"),
        "warning": word_axis("warning", scene.warnings, "what a careful reader would ask about"),
        **_mesh(scene.mesh),
        **facets_group(scene.facets),
        **_surfaces(scene.surfaces),
        **_materials(scene),
        **_positions(scene),
        **_keep_clear(scene),
        **treatments_group(scene),
    }


def scene_attributes(scene: Scene) -> dict[str, str | int | float]:
    """Attributes of the group."""
    return {
        "volume_m3": scene.volume,
        "handedness": scene.handedness,
        "tolerance_m": math.nan if scene.tolerance_m is None else scene.tolerance_m,
    }


def scene_from(
    read: Read,
    attributes: Mapping[str, Any],
    root: Mapping[str, Any],
    shells: Sequence[Shell] = (),
) -> Scene:
    """The scene again: `read` gives the array of a name of the group."""
    sources = _sources_from(read)
    receivers = _receivers_from(read)
    return Scene(
        title=str(root["title"]),
        mesh=_mesh_from(read),
        surfaces=_surfaces_from(read),
        facets=facets_from(read),
        materials=_materials_from(read),
        sources=sources,
        receivers=receivers,
        climate=Climate(**json.loads(root["climate"])),
        bands_hz=tuple(float(f) for f in read("band")),
        volume=float(attributes["volume_m3"]),
        front=read("front"),
        handedness=int(attributes["handedness"]),
        tolerance_m=_known(float(attributes["tolerance_m"])),
        notes=tuple(read("note")),
        warnings=tuple(read("warning")),
        keep_clear=_keep_clear_from(read),
        text=str(root["scene_toml"]),
        path=str(root["scene_path"]),
        mesh_sha256=str(root["mesh_sha256"]),
        treatments=treatments_from(read),
        variants=variants_from(read, sources, receivers),
        shells=tuple(shells),
    )


def _receivers_from(read: Read) -> tuple[Receiver, ...]:
    columns = (read(f"receiver{name}") for name in ("", "_position", "_facing", "_zone"))
    return tuple(Receiver(*row) for row in zip(*columns, strict=True))


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _mesh(mesh: Mesh) -> Group:
    return {
        "vertex": index_axis("vertex", len(mesh.vertices)),
        "triangle": index_axis("triangle", len(mesh.triangles)),
        "corner": index_axis("corner", 3),
        "vertex_position": Variable(("vertex", "axis"), mesh.vertices, "m", "vertices"),
        "triangle_vertices": Variable(
            ("triangle", "corner"),
            mesh.triangles,
            "1",
            "index into vertex; normals by the right-hand rule of the axes point into the air",
        ),
        "triangle_surface": Variable(("triangle",), mesh.surface, "1", "index into surface"),
        "triangle_facet": Variable(("triangle",), mesh.facet, "1", "index into facet"),
        "triangle_sheet": Variable(
            ("triangle",), mesh.sheet.astype(np.uint8), "1", "1: side of a free-standing sheet"
        ),
    }


def _mesh_from(read: Read) -> Mesh:
    return Mesh(
        vertices=read("vertex_position"),
        triangles=read("triangle_vertices"),
        surface=read("triangle_surface"),
        facet=read("triangle_facet"),
        sheet=read("triangle_sheet").astype(bool),
    )


def shell_group(shell: Shell) -> Group:
    """The boundary of a variant with objects in it; named as in the group of the scene."""
    return {
        "axis": word_axis("axis", "xyz", "axis of the room"),
        "frame": word_axis("frame", "uv", "axis of a facet: u to the right, v up from inside"),
        **_mesh(shell.mesh),
        **facets_group(shell.facets),
        **_surfaces(shell.surfaces),
    }


def shell_attributes(shell: Shell) -> dict[str, str | float]:
    """Attributes of the group."""
    return {"volume_m3": shell.volume, "mesh_sha256": shell.mesh_sha256}


def shell_from(read: Read, attributes: Mapping[str, Any]) -> Shell:
    """The shell again."""
    return Shell(
        mesh=_mesh_from(read),
        surfaces=_surfaces_from(read),
        facets=facets_from(read),
        volume=float(attributes["volume_m3"]),
        mesh_sha256=str(attributes["mesh_sha256"]),
    )


def _surfaces(surfaces: Sequence[Surface]) -> Group:
    return {
        "surface": word_axis("surface", [s.name for s in surfaces], "surface"),
        "surface_material": Variable(
            ("surface",), np.array([s.material for s in surfaces], int), "1", "index into material"
        ),
        "surface_owner": Variable(
            ("surface",), words([s.owner for s in surfaces]), "1", "room, or the object's name"
        ),
    }


def _surfaces_from(read: Read) -> tuple[Surface, ...]:
    return tuple(
        Surface(name, int(material), owner)
        for name, material, owner in zip(
            read("surface"), read("surface_material"), read("surface_owner"), strict=True
        )
    )


def _materials(scene: Scene) -> Group:
    materials = scene.materials

    def per_band(name: str, long_name: str) -> Variable:
        shape = (len(materials), len(scene.bands_hz))
        data = np.array([getattr(m, name) for m in materials], dtype=np.float64).reshape(shape)
        return Variable(("material", "band"), data, "1", long_name)

    return {
        "material": word_axis("material", [m.name for m in materials], "material"),
        "material_reference": Variable(
            ("material",), words([m.source for m in materials]), "1", "where the numbers come from"
        ),
        "material_layers": Variable(
            ("material",),
            words([LAYER_SEPARATOR.join(_layers(m)) for m in materials]),
            "1",
            "layers of a computed construction, front first, separated by semicolons",
        ),
        "absorption": per_band("absorption", "random-incidence absorption coefficient"),
        "absorption_low": per_band("absorption_low", "low end of its range"),
        "absorption_high": per_band("absorption_high", "high end of its range"),
        "scattering": per_band("scattering", "random-incidence scattering coefficient"),
    }


def _layers(material: Material) -> tuple[str, ...]:
    return () if material.construction is None else material.construction.texts


def _materials_from(read: Read) -> tuple[Material, ...]:
    names, sources = read("material"), read("material_reference")
    keys = ("absorption", "scattering", "absorption_low", "absorption_high")
    values = zip(*(read(key) for key in keys), strict=True)
    return tuple(
        Material(name, alpha, s, low, high, source, _construction(texts))
        for name, source, texts, (alpha, s, low, high) in zip(
            names, sources, read("material_layers"), values, strict=True
        )
    )


def _construction(layers: str) -> Construction | None:
    return parse_layers(layers.split(LAYER_SEPARATOR), "layers") if layers else None


def _positions(scene: Scene) -> Group:
    def vectors(axis: str, things: tuple[Any, ...], name: str, unit: str, label: str) -> Variable:
        data = np.array([getattr(thing, name) for thing in things], dtype=np.float64)
        return Variable((axis, "axis"), data.reshape(len(things), 3), unit, label)

    sources, receivers = scene.sources, scene.receivers
    return {
        "source": word_axis("source", [s.name for s in sources], "source"),
        "source_position": vectors("source", sources, "position", "m", "acoustic centre"),
        "source_aim": vectors("source", sources, "aim", "1", "unit vector of the aim"),
        "source_level": Variable(
            ("source",), np.array([s.level_db for s in sources], dtype=float), "dB", "level"
        ),
        "source_delay": Variable(
            ("source",), np.array([s.delay_s for s in sources], float), "s", "fed so late"
        ),
        "source_inverted": Variable(
            ("source",), np.array([s.is_inverted for s in sources], np.uint8), "1", "1: inverted"
        ),
        "source_highpass": Variable(
            ("source",), np.array([s.highpass_hz for s in sources], float), "Hz", "lower crossover"
        ),
        **_directivities(sources, len(scene.bands_hz)),
        "receiver": word_axis("receiver", [r.name for r in receivers], "receiver"),
        "receiver_position": vectors("receiver", receivers, "position", "m", "position"),
        "receiver_facing": vectors("receiver", receivers, "facing", "1", "unit vector faced"),
        "receiver_zone": vectors(
            "receiver", receivers, "zone", "m", "half-widths of the zone the head moves in"
        ),
    }


def _directivities(sources: tuple[Source, ...], bands: int) -> Group:
    omni = Directivity(np.ones((*SHAPE, bands)), OMNI)
    each = [source.directivity or omni for source in sources]
    return {
        "azimuth": Variable(("azimuth",), AZIMUTHS_DEG, "degree", "from the aim, right positive"),
        "elevation": Variable(("elevation",), ELEVATIONS_DEG, "degree", "to the cabinet's top"),
        "source_directivity": Variable(
            ("source", "azimuth", "elevation", "band"),
            np.array([d.energy for d in each]).reshape(len(each), *SHAPE, bands),
            "1",
            "squared pressure by direction re the axis",
        ),
        "source_loudspeaker": Variable(
            ("source",), words([d.origin for d in each]), "1", "what the directivity comes from"
        ),
        "source_lowpass": Variable(
            ("source",), np.array([d.lowpass_hz for d in each], float), "Hz", "upper end"
        ),
    }


def _sources_from(read: Read) -> tuple[Source, ...]:
    tables = zip(
        read("source_directivity"), read("source_loudspeaker"), read("source_lowpass"), strict=True
    )
    directivities = [
        None if origin == OMNI else Directivity(energy, origin, float(lowpass))
        for energy, origin, lowpass in tables
    ]
    columns = [read(f"source{name}") for name in ("", "_position", "_aim")]
    fed = [read(f"source_{name}") for name in ("level", "delay", "inverted", "highpass")]
    return tuple(
        Source(name, position, aim, float(level), directivity, float(delay), bool(turned), float(f))
        for name, position, aim, level, delay, turned, f, directivity in zip(
            *columns, *fed, directivities, strict=True
        )
    )


def _keep_clear(scene: Scene) -> Group:
    zones = scene.keep_clear
    place = np.array([(*zone.at, *zone.size) for zone in zones], dtype=np.float64)
    place = place.reshape(len(zones), 2, 2)
    return {
        "zone": word_axis("zone", [zone.name for zone in zones], "keep-clear zone"),
        "zone_surface": Variable(
            ("zone",), words([zone.on for zone in zones]), "1", "surface of the zone"
        ),
        "zone_at": Variable(("zone", "frame"), place[:, 0], "m", "lower left corner of the zone"),
        "zone_size": Variable(("zone", "frame"), place[:, 1], "m", "width and height of the zone"),
        "zone_reason": Variable(
            ("zone",), words([zone.reason for zone in zones]), "1", "why it must stay clear"
        ),
        "zone_hard": Variable(
            ("zone",), np.array([zone.hard for zone in zones], np.uint8), "1", "1: never overridden"
        ),
        "zone_depth": Variable(
            ("zone",), np.array([z.depth_m for z in zones], float), "m", "into the room"
        ),
        "zone_swing": Variable(
            ("zone",), words([zone.swing for zone in zones]), "1", "edge that a door hangs at"
        ),
    }


def _keep_clear_from(read: Read) -> tuple[KeepClear, ...]:
    keys = ("", "_surface", "_at", "_size", "_reason", "_hard", "_depth", "_swing")
    return tuple(
        KeepClear(
            name,
            on,
            (float(at[0]), float(at[1])),
            (float(size[0]), float(size[1])),
            reason,
            bool(hard),
            float(depth),
            swing,
        )
        for name, on, at, size, reason, hard, depth, swing in zip(
            *(read(f"zone{key}") for key in keys), strict=True
        )
    )
