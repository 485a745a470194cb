"""Facets as labelled arrays and back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.results.layout import Group, Variable, index_axis, word_axis
from raysim.scene.data import Facet

Read = Callable[[str], NDArray[Any]]


def facets_group(facets: tuple[Facet, ...]) -> Group:
    """Facets and their outlines, loop after loop."""

    def vectors(name: str, unit: str, long_name: str, axis: str = "axis") -> Variable:
        width = 2 if axis == "frame" else 3
        data = np.array([getattr(f, name) for f in facets], dtype=np.float64)
        return Variable(("facet", axis), data.reshape(len(facets), width), unit, long_name)

    loops = [(number, loop) for number, facet in enumerate(facets) for loop in facet.outline]
    points = np.concatenate([loop for _, loop in loops]) if loops else np.zeros((0, 2))
    return {
        "facet": word_axis("facet", [f.name for f in facets], "facet"),
        "facet_surface": Variable(
            ("facet",), np.array([f.surface for f in facets], dtype=int), "1", "index into surface"
        ),
        "facet_origin": vectors("origin", "m", "lower left corner as seen from inside"),
        "facet_u": vectors("u", "1", "unit vector to the right as seen from inside"),
        "facet_v": vectors("v", "1", "unit vector up as seen from inside"),
        "facet_normal": vectors("normal", "1", "unit normal into the air"),
        "facet_size": vectors("size", "m", "extent along u and v", "frame"),
        "facet_area": Variable(
            ("facet",), np.array([f.area for f in facets], dtype=float), "m2", "area"
        ),
        "outline": index_axis("outline", len(loops)),
        "outline_facet": Variable(
            ("outline",), np.array([n for n, _ in loops], dtype=int), "1", "index into facet"
        ),
        "outline_length": Variable(
            ("outline",),
            np.array([len(loop) for _, loop in loops], dtype=int),
            "1",
            "number of points; a facet's first loop is its outer one, the others are holes",
        ),
        "outline_point": index_axis("outline_point", len(points)),
        "outline_position": Variable(
            ("outline_point", "frame"), points, "m", "points of all loops, one after the other"
        ),
    }


def facets_from(read: Read) -> tuple[Facet, ...]:
    """Facets from what was stored."""
    ends = np.cumsum(read("outline_length"))
    loops = np.split(read("outline_position"), ends[:-1]) if len(ends) else []
    owner = read("outline_facet")
    columns = [
        read(f"facet{name}")
        for name in ("", "_surface", "_origin", "_u", "_v", "_normal", "_size", "_area")
    ]
    return tuple(
        Facet(
            name=name,
            surface=int(surface),
            origin=origin,
            u=u,
            v=v,
            normal=normal,
            size=size,
            area=float(area),
            outline=tuple(loops[k] for k in np.flatnonzero(owner == number)),
        )
        for number, (name, surface, origin, u, v, normal, size, area) in enumerate(
            zip(*columns, strict=True)
        )
    )
