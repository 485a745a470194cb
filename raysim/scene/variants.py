"""Variants of a room, grouped by what one trace can serve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from raysim.scene.data import Scene

Rect = tuple[float, float, float, float]


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
    """Groups of the named variants, or of all."""
    return (Group(scene, tuple(names or ("base",)), ((),)),)
