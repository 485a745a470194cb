"""Maps as labelled arrays: grids of all facets in /map_grid, patches in /maps/SURFACE."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.results.data import MAP_BOOKS, MAP_QUANTITIES, MAP_WINDOWS_S, Maps, Result
from raysim.results.layout import Group, Variable, band_axis, index_axis, word_axis

Array = NDArray[np.float64]
WINDOWS = (
    f"0 to {1e3 * MAP_WINDOWS_S[0]:g} ms",
    f"{1e3 * MAP_WINDOWS_S[0]:g} to {1e3 * MAP_WINDOWS_S[1]:g} ms",
    f"later than {1e3 * MAP_WINDOWS_S[1]:g} ms",
)
PAIRS = {
    "incident": (
        ("patch", "source", "window", "band"),
        "1/m2",
        "share of the source's energy that falls here, by the delay after the straight line",
    ),
    "arriving": (
        ("patch", "source", "receiver", "window", "band"),
        "1/m2",
        "squared pressure at the receiver re the free field at 10 m that comes from here last",
    ),
    "sensitivity": (
        ("patch", "source", "quantity", "receiver", "band"),
        "dB/m2 or s/m2",
        "change of the quantity for a square metre of absorption area more",
    ),
}


def folder_of(surface: str) -> str:
    """Name of a surface's group."""
    return surface.replace("/", "-")


def grid_group(result: Result, maps: Maps) -> Group:
    """The grid of every facet, and the books."""
    scene = result.scene_in(0)
    side = ("facet", "side")
    return {
        "facet": word_axis("facet", [f.name for f in scene.facets], "facet"),
        "side": word_axis("side", ["u", "v"], "direction in the facet's frame"),
        "source": word_axis("source", [s.name for s in scene.sources], "source"),
        "entry": word_axis("entry", MAP_BOOKS, "entry of the books"),
        **band_axis(scene),
        "first": Variable(("facet",), maps.first, "1", "number of the facet's first patch"),
        "columns": Variable(("facet",), maps.columns, "1", "patches along u"),
        "rows": Variable(("facet",), maps.rows, "1", "patches along v"),
        "patch_side": Variable(side, maps.side_m, "m", "extent of a patch"),
        "books": Variable(
            ("source", "entry", "band"), maps.books, "1", "energy of a ray: emitted, and its ends"
        ),
        "rays": Variable((), np.array(maps.rays), "1", "rays a source"),
    }


def surface_groups(result: Result, maps: Maps) -> dict[str, Group]:
    """Patches of each surface."""
    scene = result.scene_in(0)
    count = maps.columns * maps.rows
    surface = np.repeat([f.surface for f in scene.facets], count)
    facet = np.repeat(np.arange(len(count)), count)
    inside = np.arange(len(facet)) - np.repeat(maps.first, count)
    column, row = inside % maps.columns[facet], inside // maps.columns[facet]
    centre = (np.stack([column, row], axis=-1) + 0.5) * maps.side_m[facet]
    axes = {
        "source": word_axis("source", [s.name for s in scene.sources], "source"),
        "receiver": word_axis("receiver", [r.name for r in scene.receivers], "receiver"),
        "window": word_axis("window", WINDOWS, "time window"),
        "quantity": word_axis("quantity", MAP_QUANTITIES, "quantity"),
        **band_axis(scene),
    }
    values = {"incident": maps.incident, "arriving": maps.arriving, "sensitivity": maps.slope}
    groups = {}
    for number, one in enumerate(scene.surfaces):
        own = np.flatnonzero(surface == number)
        group: Group = {
            "patch": index_axis("patch", len(own)),
            **axes,
            "number": Variable(("patch",), own, "1", "number of the patch in the room"),
            "facet": Variable(("patch",), facet[own], "1", "index into /scene/facet"),
            "u": Variable(("patch",), centre[own, 0], "m", "centre of the patch on its facet"),
            "v": Variable(("patch",), centre[own, 1], "m", "centre of the patch on its facet"),
            "area": Variable(("patch",), maps.area_m2[own], "m2", "part that is surface"),
        }
        for name, (dims, unit, long_name) in PAIRS.items():
            value, error = values[name]
            group[name] = Variable(dims, value[own], unit, long_name)
            group[f"{name}_standard_error"] = Variable(
                dims, error[own], unit, f"standard error of: {long_name}"
            )
        groups[folder_of(one.name)] = group
    return groups


def maps_from(
    grid: Callable[[str], NDArray[np.generic]],
    surfaces: Sequence[Callable[[str], NDArray[np.generic]]],
) -> Maps:
    """Maps from what was stored; `grid` and each of `surfaces` read a dataset by its name."""
    order = np.argsort(np.concatenate([read("number") for read in surfaces]))

    def gathered(name: str) -> Array:
        together = np.concatenate([read(name) for read in surfaces])
        return np.ascontiguousarray(together[order], dtype=np.float64)

    def pair(name: str) -> tuple[Array, Array]:
        return gathered(name), gathered(f"{name}_standard_error")

    return Maps(
        first=np.asarray(grid("first"), np.int64),
        columns=np.asarray(grid("columns"), np.int64),
        rows=np.asarray(grid("rows"), np.int64),
        side_m=np.asarray(grid("patch_side"), np.float64),
        area_m2=gathered("area"),
        rays=int(grid("rays")),
        incident=pair("incident"),
        arriving=pair("arriving"),
        slope=pair("sensitivity"),
        books=np.asarray(grid("books"), np.float64),
    )
