"""Catalogue files read: what may be bought or is there, limits, and what matters how much."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationError

from raysim.errors import SceneError
from raysim.plan.aim import PARTS, Weights
from raysim.scene import values
from raysim.scene.complaints import Complaints
from raysim.scene.kinds import FIXING
from raysim.scene.schema import FIXINGS, Section
from raysim.scene.text import Kind, tables_of, text_of
from raysim.scene.values import Length, Point2, Text

KINDS = ("panel", "tiles", "corner trap", "cloud")
PLACES = ("side walls", "front wall", "rear wall", "ceiling")
HOW_MUCH = {"not": 0.0, "little": 0.5, "normal": 1.0, "much": 2.0}
DRILLED = ("drilled", "hung")
CATALOGUE_HINT = "a catalogue lists what may be bought; 'raysim init' writes one to start from"
CATALOGUE = Kind(
    "catalogue",
    CATALOGUE_HINT,
    "save it as UTF-8",
    "give at least one [items.NAME]",
)


def _how_much(value: object) -> float:
    if isinstance(value, str):
        if value not in HOW_MUCH:
            known = ", ".join(HOW_MUCH)
            raise ValueError(f"'{value}' isn't known; give one of {known}, or a number")
        return HOW_MUCH[value]
    return values.between(0, 10, "times")(value)


def _sums(value: object) -> tuple[float, ...]:
    given = value if isinstance(value, list) else [value]
    sums = tuple(values.number(one) for one in given)
    if not sums:
        raise ValueError("the list is empty; give what may be spent")
    if sums[0] <= 0:
        raise ValueError(f"{sums[0]:g} is not more than 0; give what may be spent")
    if any(b <= a for a, b in pairwise(sums)):
        raise ValueError("the sums of phases are running totals; give them rising")
    return sums


HowMuch = Annotated[float, BeforeValidator(_how_much)]


class LimitsSection(Section):
    """What a plan may take; what is left out is not limited."""

    budget: Annotated[tuple[float, ...] | None, BeforeValidator(_sums)] = None
    count: Annotated[int | None, BeforeValidator(values.whole)] = None
    weight: Annotated[float | None, BeforeValidator(values.mass)] = None
    depth: Length | None = None
    drilling: Annotated[bool, BeforeValidator(values.yes_or_no)] = True


class AimSection(Section):
    """How much each part of the aim matters."""

    reflections: HowMuch = 1.0
    decay: HowMuch = 1.0
    evenness: HowMuch = 1.0
    match: HowMuch = 1.0
    ringing: HowMuch = 1.0
    levels: HowMuch = 1.0


class ItemSection(Section):
    """Something that can be bought, or that is there."""

    kind: Annotated[str, BeforeValidator(values.choice(*KINDS))]
    size: Annotated[tuple[float, ...], BeforeValidator(values.sides)]
    tiles: Annotated[tuple[int, int] | None, BeforeValidator(values.counts)] = None
    material: Text | None = None
    layers: Annotated[tuple[str, ...] | None, BeforeValidator(values.layers)] = None
    thickness: Length | None = None
    gap: Annotated[float, BeforeValidator(values.zero_or_more)] = 0.0
    fixing: Annotated[str | None, BeforeValidator(values.choice(*FIXINGS))] = None
    cost: Annotated[float | None, BeforeValidator(values.between(0, 1e9, "of money"))] = None
    weight: Annotated[float | None, BeforeValidator(values.mass)] = None
    owned: Annotated[bool, BeforeValidator(values.yes_or_no)] = False
    have: Annotated[int | None, BeforeValidator(values.whole)] = None
    places: Annotated[tuple[str, ...] | None, BeforeValidator(values.names)] = None
    lower_edge: Annotated[
        Point2 | None, BeforeValidator(values.lengths("lowest, highest", values.zero_or_more))
    ] = None
    turned: Annotated[bool, BeforeValidator(values.yes_or_no)] = False


class WarningsSection(Section):
    """Warnings that have been read."""

    dismiss: Annotated[tuple[str, ...], BeforeValidator(values.names)] = ()


class CatalogueFile(Section):
    """The whole file."""

    limits: LimitsSection = LimitsSection()
    aim: AimSection = AimSection()
    items: dict[str, ItemSection] = {}  # noqa: RUF012 (pydantic copies it)
    warnings: WarningsSection = WarningsSection()


_SECTIONS: dict[str, type[Section]] = {
    "limits": LimitsSection,
    "aim": AimSection,
    "items": ItemSection,
    "warnings": WarningsSection,
}


@dataclass(frozen=True)
class Item:
    """A line of the catalogue; lengths in m.

    Attributes
    ----------
    keys : dict
        What a treatment's section says of it, without its place.
    have : int or None
        How many pieces there are at most.
    places : tuple of str
        Of PLACES; unused by objects.
    lower_edge_m : pair of float or None
        Between which heights its lower edge may be.
    turned : bool
        It may hang on its side as well.
    """

    name: str
    kind: str
    size: tuple[float, ...]
    keys: dict[str, Any]
    fixing: str
    owned: bool
    have: int | None
    places: tuple[str, ...]
    lower_edge_m: tuple[float, float] | None
    turned: bool


@dataclass(frozen=True)
class Limits:
    """What a plan may take; None where there is no limit.

    Attributes
    ----------
    budgets : tuple of float
        What may be spent up to the end of each phase; empty for no limit.
    count : int or None
        Things to put up: a board of tiles is one.
    """

    budgets: tuple[float, ...] = ()
    count: int | None = None
    weight_kg: float | None = None
    depth_m: float | None = None
    drilling: bool = True


@dataclass(frozen=True)
class Catalogue:
    """A catalogue file."""

    items: tuple[Item, ...]
    limits: Limits
    weights: Weights
    dismissed: tuple[str, ...]


def load_catalogue(path: str | Path) -> Catalogue:
    """Read a catalogue (TOML; docs/guide/plan.md).

    Raises
    ------
    SceneError
        With every complaint, one sentence each.
    """
    raw, complaints = tables_of(text_of(path, CATALOGUE), path)
    if "room" in raw and "items" not in raw:
        raise SceneError([f"{path}: it is a scene, not a catalogue; {CATALOGUE_HINT}"])
    file = _validated(raw, complaints)
    items = tuple(_item(name, section, complaints) for name, section in file.items.items())
    if not items:
        complaints.add((), "there is nothing in it; give at least one [items.NAME]")
    complaints.raise_any()
    limits = file.limits
    return Catalogue(
        items,
        Limits(limits.budget or (), limits.count, limits.weight, limits.depth, limits.drilling),
        Weights(**{part: getattr(file.aim, part) for part in PARTS}),
        file.warnings.dismiss,
    )


def refuse_as_scene(path: str | Path) -> None:
    """Raise SceneError where what is given as the scene is a catalogue."""
    try:
        raw, _ = tables_of(text_of(path, CATALOGUE), path)
    except SceneError:
        return  # the reader of scenes says what is wrong
    if "items" in raw and "room" not in raw:
        raise SceneError(
            [f"{path}: it is a catalogue, not a scene; name the scene, and this with --catalogue"]
        )


def with_limits(
    limits: Limits,
    budget: tuple[float, ...] = (),
    count: int | None = None,
    weight_kg: float | None = None,
    depth_m: float | None = None,
    no_drilling: bool = False,
) -> Limits:
    """Limits with those of a command line in their place.

    Raises
    ------
    SceneError
        One is 0 or less, or sums of phases don't rise.
    """
    if budget:
        try:
            limits = replace(limits, budgets=_sums(list(budget)))
        except ValueError as error:
            raise SceneError(f"budget: {error}") from None
    for word, given in (("count", count), ("weight", weight_kg), ("depth", depth_m)):
        if given is not None and given <= 0:
            raise SceneError(f"{word}: {given:g} is not more than 0; give a limit above 0")
    limits = replace(
        limits,
        count=limits.count if count is None else count,
        weight_kg=limits.weight_kg if weight_kg is None else weight_kg,
        depth_m=limits.depth_m if depth_m is None else depth_m,
    )
    return replace(limits, drilling=False) if no_drilling else limits


def _validated(raw: dict[str, Any], complaints: Complaints) -> CatalogueFile:
    try:
        return CatalogueFile.model_validate(raw)
    except ValidationError as error:
        for item in error.errors():
            path = tuple(str(part) for part in item["loc"])
            section = _SECTIONS.get(path[0]) if len(path) > 1 else CatalogueFile
            if item["type"] == "extra_forbidden":
                complaints.unknown_key(path, list((section or CatalogueFile).model_fields))
            elif item["type"] == "missing":
                complaints.add(path[:-1], f"'{path[-1]}' is missing; give it")
            elif item["type"] == "value_error":
                complaints.add(path, str(item["ctx"]["error"]))
            else:
                complaints.add(path, "a table of keys is wanted here")
    complaints.raise_any()
    raise AssertionError("a file that pydantic refuses has complaints")


def _item(name: str, section: ItemSection, complaints: Complaints) -> Item:
    path = ("items", name)
    if (section.material is None) == (section.layers is None):
        complaints.add(path, "give what it is made of: one of 'material' and 'layers'")
    wanted = (1, 2) if section.kind == "corner trap" else (2,)
    if len(section.size) not in wanted:
        complaints.add((*path, "size"), f"{len(section.size)} values; give [width, height]")
    if (section.kind == "tiles") != (section.tiles is not None):
        complaints.add(path, "'tiles' = [columns, rows] goes with kind = \"tiles\", and only there")
    if not section.owned and section.cost is None:
        complaints.add(path, "give its 'cost', one piece, or owned = true")
    for place in section.places or ():
        if place not in PLACES:
            known = ", ".join(PLACES)
            complaints.add((*path, "places"), f"'{place}' isn't known; give some of {known}")
    fixing = section.fixing or FIXING.get(section.kind, "drilled")
    keys: dict[str, Any] = {"fixing": fixing}
    for key in ("material", "thickness", "cost", "weight"):
        if getattr(section, key) is not None:
            keys[key] = getattr(section, key)
    if section.layers is not None:
        keys["layers"] = list(section.layers)
    if section.gap:
        keys["gap"] = section.gap
    if section.owned:
        keys["owned"] = True
    if section.tiles is not None:
        keys["tiles"] = list(section.tiles)
    standing = fixing == "standing" and section.kind in ("panel", "tiles")
    return Item(
        name,
        section.kind,
        section.size,
        keys,
        fixing,
        section.owned,
        section.have,
        section.places or (PLACES[:3] if standing else PLACES),
        section.lower_edge,
        section.turned,
    )
