"""Treatments and variants of a scene as labelled arrays and back."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.results.layout import Group, Variable, index_axis, word_axis, words
from raysim.scene.data import Receiver, Scene, Source, Treatment, Variant

Read = Callable[[str], NDArray[Any]]

WORDS = {
    "section": "section of the scene file that it comes from",
    "kind": "panel, diffuser, tiles, membrane, resonator, corner trap, edge trap, cloud or screen",
    "fixing": "drilled, glued, hung or standing",
    "where": "its place in words",
}
NUMBERS = {
    "thickness_m": ("thickness", "m", "thickness of its layers"),
    "gap_m": ("gap", "m", "air behind"),
    "cost": ("cost", "1", "of the piece, in the user's money; NaN where not given"),
    "weight_kg": ("weight", "kg", "of the piece without frame; NaN where not known"),
}
INDICES = {
    "facet": "index into facet; -1 for an object, which a shell holds",
    "material": "index into material",
    "phase": "when it is bought, from 1",
}


def treatments_group(scene: Scene) -> Group:
    """Variables of the group of the scene."""
    return {**_treatments(scene.treatments), **_variants(scene)}


def treatments_from(read: Read) -> tuple[Treatment, ...]:
    """The treatments again."""
    owner = read("treatment_corner_of")
    columns = [read(f"treatment_{name}") for name in (*WORDS, *INDICES)]
    numbers = [read(f"treatment_{name}") for name, _, _ in NUMBERS.values()]
    rects, owned, points = (
        read("treatment_rect"),
        read("treatment_owned"),
        read("treatment_corner_position"),
    )
    made = []
    for n, name in enumerate(read("treatment")):
        section, kind, fixing, where, facet, material, phase = (column[n] for column in columns)
        thickness, gap, cost, weight = (float(column[n]) for column in numbers)
        u0, v0, u1, v1 = (float(value) for value in rects[n])
        made.append(
            Treatment(
                name=name,
                section=section,
                kind=kind,
                facet=int(facet),
                rect=(u0, v0, u1, v1),
                thickness_m=thickness,
                gap_m=gap,
                material=int(material),
                fixing=fixing,
                cost=None if math.isnan(cost) else cost,
                weight_kg=None if math.isnan(weight) else weight,
                phase=int(phase),
                owned=bool(owned[n]),
                where=where,
                corners=points[owner == n],
            )
        )
    return tuple(made)


def variants_from(
    read: Read, sources: Sequence[Source], receivers: Sequence[Receiver]
) -> tuple[Variant, ...]:
    """The variants again; what isn't moved of sources and receivers is as in the base."""
    of = {
        key: read(f"{key}_variant") for key in ("has", "changed", "moved_source", "moved_receiver")
    }
    has, surface, material = (
        read("has_treatment"),
        read("changed_surface"),
        read("changed_material"),
    )
    shells, notes = read("variant_shell"), read("variant_note")
    moved_sources = [
        replace(sources[int(index)], position=position, aim=aim)
        for index, position, aim in zip(
            read("moved_source_source"),
            read("moved_source_position"),
            read("moved_source_aim"),
            strict=True,
        )
    ]
    moved_receivers = [
        replace(receivers[int(index)], position=position, facing=facing)
        for index, position, facing in zip(
            read("moved_receiver_receiver"),
            read("moved_receiver_position"),
            read("moved_receiver_facing"),
            strict=True,
        )
    ]
    return tuple(
        Variant(
            name=name,
            treatments=tuple(int(k) for k in has[of["has"] == n]),
            surfaces=tuple(
                (int(surface[k]), int(material[k])) for k in np.flatnonzero(of["changed"] == n)
            ),
            sources=tuple(moved_sources[k] for k in np.flatnonzero(of["moved_source"] == n)),
            receivers=tuple(moved_receivers[k] for k in np.flatnonzero(of["moved_receiver"] == n)),
            shell=int(shells[n]),
            note=notes[n],
        )
        for n, name in enumerate(read("variant"))
    )


def _treatments(treatments: Sequence[Treatment]) -> Group:
    def column(name: str) -> list[Any]:
        return [getattr(treatment, name) for treatment in treatments]

    axis = ("treatment",)
    corners = [(n, point) for n, t in enumerate(treatments) for point in t.corners]
    rects = np.array(column("rect"), float).reshape(len(treatments), 4)
    group = {
        "treatment": word_axis("treatment", column("name"), "piece of treatment"),
        "edge": word_axis("edge", ("low u", "low v", "high u", "high v"), "edge of a rectangle"),
        "treatment_rect": Variable(
            ("treatment", "edge"), rects, "m", "rectangle on its facet; zeros for an object"
        ),
        "treatment_owned": Variable(
            axis, np.array(column("owned"), np.uint8), "1", "1: there already"
        ),
        "treatment_corner": index_axis("treatment_corner", len(corners)),
        "treatment_corner_of": Variable(
            ("treatment_corner",), np.array([n for n, _ in corners], int), "1", "index of treatment"
        ),
        "treatment_corner_position": Variable(
            ("treatment_corner", "axis"),
            np.array([point for _, point in corners], float).reshape(len(corners), 3),
            "m",
            "corners of the convex bodies that they fill, one after the other",
        ),
    }
    for name, long_name in WORDS.items():
        group[f"treatment_{name}"] = Variable(axis, words(column(name)), "1", long_name)
    for name, long_name in INDICES.items():
        group[f"treatment_{name}"] = Variable(axis, np.array(column(name), int), "1", long_name)
    for name, (short, unit, long_name) in NUMBERS.items():
        data = np.array([math.nan if v is None else v for v in column(name)], float)
        group[f"treatment_{short}"] = Variable(axis, data, unit, long_name)
    return group


def _variants(scene: Scene) -> Group:
    variants = scene.variants
    axis = ("variant",)
    return {
        "variant": word_axis("variant", [v.name for v in variants], "variant of the room"),
        "variant_note": Variable(axis, words([v.note for v in variants]), "1", "in words"),
        "variant_shell": Variable(
            axis,
            np.array([v.shell for v in variants], int),
            "1",
            "number of the group shellN that bounds its air; -1: as here",
        ),
        **_rows(
            "has",
            [(n, k) for n, v in enumerate(variants) for k in v.treatments],
            ("treatment",),
            "treatment of a variant, the later on top",
        ),
        **_rows(
            "changed",
            [(n, *pair) for n, v in enumerate(variants) for pair in v.surfaces],
            ("surface", "material"),
            "surface of another material",
        ),
        **_moved("source", "aim", scene.sources, [v.sources for v in variants]),
        **_moved("receiver", "facing", scene.receivers, [v.receivers for v in variants]),
    }


def _rows(
    name: str, rows: Sequence[tuple[int, ...]], columns: Sequence[str], long_name: str
) -> Group:
    """One row a pair of a variant and what it has."""
    data = np.array(rows, int).reshape(len(rows), 1 + len(columns))
    group = {name: Variable((name,), np.arange(len(rows)), "1", f"row: {long_name}")}
    for k, column in enumerate(("variant", *columns)):
        group[f"{name}_{column}"] = Variable((name,), data[:, k], "1", f"index into {column}")
    return group


def _moved(
    noun: str, way: str, places: Sequence[Any], by_variant: Sequence[Sequence[Any]]
) -> Group:
    """Sources or receivers of variants that move them."""
    name = f"moved_{noun}"
    names = [place.name for place in places]
    moved = [(n, one) for n, some in enumerate(by_variant) for one in some]
    rows = [(n, names.index(one.name)) for n, one in moved]

    def vectors(attribute: str) -> NDArray[np.float64]:
        data = np.array([getattr(one, attribute) for _, one in moved], float)
        return data.reshape(len(moved), 3)

    return {
        **_rows(name, rows, (noun,), f"{noun} that a variant moves"),
        f"{name}_position": Variable((name, "axis"), vectors("position"), "m", "position"),
        f"{name}_{way}": Variable((name, "axis"), vectors(way), "1", f"unit vector of the {way}"),
    }
