"""Variants of a room, grouped by what one trace can serve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

import numpy as np

from raysim.errors import SceneError
from raysim.scene.data import Facet, Scene, Variant

Rect = tuple[float, float, float, float]

BASE = "base"
SAME_PLANE_M = 1e-4
SAME_DIRECTION = 1 - 1e-9
BEYOND_M = 1e-3
"""A changed surface is covered a little beyond its edges, so that points on them are too."""


@dataclass(frozen=True)
class Cover:
    """Rectangle (low u, low v, high u, high v; m) of a facet that has another material."""

    facet: int
    rect: Rect
    material: int


@dataclass(frozen=True)
class Group:
    """Variants that differ in what their facets absorb and scatter only.

    Attributes
    ----------
    scene : Scene
        Mesh, sources and receivers of this group.
    variants : tuple of str
    covers : tuple of tuple of Cover
        What each variant has on its facets; of two that overlap the later is on top.
    """

    scene: Scene
    variants: tuple[str, ...]
    covers: tuple[tuple[Cover, ...], ...]


def groups_of(scene: Scene, names: Sequence[str] | None = None) -> tuple[Group, ...]:
    """Groups of the named variants, or of all; the one of the first variant first.

    A scene without variants has one, 'base'.

    Parameters
    ----------
    scene : Scene
    names : sequence of str, optional
        A name given twice counts once.

    Raises
    ------
    SceneError
        A name that is none of a variant.
    """
    variants = {v.name: v for v in scene.variants or (Variant(BASE),)}
    wanted = list(dict.fromkeys(variants if names is None else names))
    file = f"{scene.path}: " if scene.path else ""
    unknown = [file + _unknown(name, list(variants)) for name in wanted if name not in variants]
    if unknown or not wanted:
        raise SceneError(unknown or [f"{file}variants: none named; name at least one"])
    together: dict[tuple[object, ...], list[Variant]] = {}
    for name in wanted:
        together.setdefault(_what_a_trace_needs(variants[name]), []).append(variants[name])
    return tuple(_group(scene, members) for members in together.values())


def scene_of(scene: Scene, variant: Variant) -> Scene:
    """The scene with a variant's boundary, sources and receivers, materials as in the base."""
    moved_sources = {s.name: s for s in variant.sources}
    moved_receivers = {r.name: r for r in variant.receivers}
    changed = replace(
        scene,
        sources=tuple(moved_sources.get(s.name, s) for s in scene.sources),
        receivers=tuple(moved_receivers.get(r.name, r) for r in scene.receivers),
    )
    if variant.shell < 0:
        return changed
    shell = scene.shells[variant.shell]
    return replace(
        changed,
        mesh=shell.mesh,
        surfaces=shell.surfaces,
        facets=shell.facets,
        volume=shell.volume,
        mesh_sha256=shell.mesh_sha256,
    )


def covers_of(scene: Scene, variant: Variant) -> tuple[Cover, ...]:
    """What a variant has on the facets of `scene_of(scene, variant)`: surfaces, then treatments."""
    facets = scene_of(scene, variant).facets
    names = {scene.surfaces[k].name: material for k, material in variant.surfaces}
    surfaces = scene_of(scene, variant).surfaces
    covers = [
        Cover(n, _whole(facet), names[surfaces[facet.surface].name])
        for n, facet in enumerate(facets)
        if surfaces[facet.surface].name in names
    ]
    for index in variant.treatments:
        treatment = scene.treatments[index]
        if treatment.is_object:
            continue
        if variant.shell < 0:
            covers.append(Cover(treatment.facet, treatment.rect, treatment.material))
            continue
        base = scene.facets[treatment.facet]
        name = scene.surfaces[base.surface].name
        for n, facet in enumerate(facets):
            if surfaces[facet.surface].name == name and _in_one_plane(base, facet):
                rect = _carried(treatment.rect, base, facet)
                if _touches(rect, facet):
                    covers.append(Cover(n, rect, treatment.material))
    return tuple(covers)


def _group(scene: Scene, members: Sequence[Variant]) -> Group:
    return Group(
        scene=scene_of(scene, members[0]),
        variants=tuple(v.name for v in members),
        covers=tuple(covers_of(scene, v) for v in members),
    )


def _what_a_trace_needs(variant: Variant) -> tuple[object, ...]:
    """Equal for variants of one mesh, sources and receivers."""
    return (
        variant.shell,
        *((s.name, *s.position.tolist(), *s.aim.tolist(), s.level_db) for s in variant.sources),
        *(
            (r.name, *r.position.tolist(), *r.facing.tolist(), *r.zone.tolist())
            for r in variant.receivers
        ),
    )


def _unknown(name: str, known: Sequence[str]) -> str:
    near = get_close_matches(name, known, n=3, cutoff=0.6)
    nearest = " or ".join(f"'{one}'" for one in near)
    cure = f", did you mean {nearest}?" if near else f"; there are {', '.join(known)}"
    return f"variants: there is no variant '{name}'{cure}"


def _whole(facet: Facet) -> Rect:
    width, height = facet.size
    return -BEYOND_M, -BEYOND_M, float(width) + BEYOND_M, float(height) + BEYOND_M


def _in_one_plane(one: Facet, other: Facet) -> bool:
    return bool(
        one.normal @ other.normal > SAME_DIRECTION
        and abs((other.origin - one.origin) @ one.normal) < SAME_PLANE_M
    )


def _carried(rect: Rect, of: Facet, to: Facet) -> Rect:
    """The same rectangle in the frame of another facet of the same plane; u and v are parallel."""
    u, v = to.to_plane(of.origin)
    return rect[0] + u, rect[1] + v, rect[2] + u, rect[3] + v


def _touches(rect: Rect, facet: Facet) -> bool:
    low, high = np.array(rect[:2]), np.array(rect[2:])
    return bool((high > 0).all() and (low < facet.size).all())
