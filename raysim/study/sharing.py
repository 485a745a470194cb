"""Points that differ only in what surfaces and treatments are made of, on one trace.

Their differences become variants of one scene, which the engine computes on one trace: each
point's variants are those of the scene with the materials and treatments of that point.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from raysim.scene.data import Scene
from raysim.scene.treating import TREATED
from raysim.scene.variants import BASE
from raysim.study.design import Factor, Point
from raysim.study.paths import Path, Tree, changed

SEPARATOR = ": "


def is_shareable(factor: Factor, tree: Tree, scene: Scene) -> bool:
    """Whether a trace can serve several values of a factor."""
    surfaces = {surface.name for surface in scene.surfaces}
    surfaces -= {*tree.get("patches", {}), *tree.get("objects", {})}
    return all(_is_of_surfaces(path, surfaces) for path in factor.paths)


def _is_of_surfaces(path: Path, surfaces: set[str]) -> bool:
    if path[0] == "surfaces":  # what a pattern covers depends on the other lines
        return path[1] in surfaces
    return path[0] in ("materials", "treatments", "variants")


def variant_name(point: int, variant: str) -> str:
    """Of a variant of the scene at a point, numbered within the task."""
    return f"{point}{SEPARATOR}{variant}"


def changes_of(factors: Sequence[Factor], point: Point) -> list[tuple[Path, Any]]:
    """What a point changes in the scene file."""
    return [
        (path, value) for factor, value in zip(factors, point, strict=True) for path in factor.paths
    ]


def merged(
    tree: Tree,
    factors: Sequence[Factor],
    points: Sequence[Point],
    variants: Sequence[str],
    scene: Scene,
) -> Tree:
    """One scene file whose variants are the variants of every point.

    Parameters
    ----------
    tree : dict
        The scene file.
    factors, points
        Points that differ in shareable factors only.
    variants : sequence of str
        Of the scene, computed in every point.
    scene : Scene
        As the scene file says: it knows which material each surface has.
    """
    trees = [changed(tree, changes_of(factors, point)) for point in points]
    made = changed(trees[0], [])
    made["variants"] = {}
    of_surface = {s.name: scene.materials[s.material].name for s in scene.surfaces}
    for number, one in enumerate(trees):
        renamed = {
            table: _adopt(made, table, one.get(table, {}), number)
            for table in ("materials", "treatments")
        }
        _rename_linings(made, one, renamed, number)
        surfaces = _finishes(one, tree, trees[0], of_surface, renamed["materials"])
        for name in variants:
            made["variants"][variant_name(number, name)] = _variant(one, name, surfaces, renamed)
    return made


Renamed = dict[str, dict[str, str]]


def _adopt(made: Tree, table: str, sections: Tree, number: int) -> dict[str, str]:
    """Add the sections that differ from those there; new names by old ones."""
    there = made.setdefault(table, {}) if sections else {}
    renamed = {}
    for name, section in sections.items():
        if there.get(name) != section:
            renamed[name] = f"{name} ({number})"
            there[renamed[name]] = section
    return renamed


def _rename_linings(made: Tree, one: Tree, renamed: Renamed, number: int) -> None:
    """Treatments of a material that was renamed become treatments of their own."""
    for name, section in one.get("treatments", {}).items():
        material = section.get("material")
        if material in renamed["materials"]:
            own = renamed["treatments"].setdefault(name, f"{name} ({number})")
            made["treatments"][own] = section | {"material": renamed["materials"][material]}


def _finishes(
    one: Tree, tree: Tree, first: Tree, of_surface: dict[str, str], renamed: dict[str, str]
) -> dict[str, str]:
    """Materials of the surfaces that are not those of the first point."""
    finishes = {}
    for surface, usual in of_surface.items():
        before = _own(first, tree, surface, usual)
        now = _own(one, tree, surface, usual)
        now = renamed.get(now, now)
        if now != before:
            finishes[surface] = now
    return finishes


def _own(one: Tree, tree: Tree, surface: str, usual: str) -> str:
    given = one.get("surfaces", {}).get(surface)
    if given is None or given == tree.get("surfaces", {}).get(surface):
        return usual
    return str(given)


def _variant(one: Tree, name: str, surfaces: dict[str, str], renamed: Renamed) -> dict[str, Any]:
    """A variant of the scene in the words of the merged file."""
    sections = one.get("variants", {})
    section = dict(sections.get(name, {}))
    if name == TREATED and not sections:
        section["treatments"] = list(one.get("treatments", {}))
    elif name == BASE:
        section["note"] = "the room without treatments"
    treatments = section.get("treatments", [])
    treatments = [treatments] if isinstance(treatments, str) else treatments
    section["treatments"] = [renamed["treatments"].get(each, each) for each in treatments]
    own = {
        pattern: renamed["materials"].get(material, material)
        for pattern, material in section.get("surfaces", {}).items()
    }
    section["surfaces"] = surfaces | own
    return section
