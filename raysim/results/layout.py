"""How a result is laid out as labelled arrays: one description for the file and for xarray."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.bands import exact_midband_hz
from raysim.estimate import Estimate
from raysim.results.checks import Check
from raysim.results.data import Result
from raysim.scene.data import Scene

KIND = "raysim result"
FORMAT_VERSION = 2
"""Raised by every change of the layout; version 1 had several."""


class Variable(NamedTuple):
    """A labelled array. An axis is a variable named as its only dimension.

    Attributes
    ----------
    dims : tuple of str
        Axes, each a variable of the same group.
    data : array
        float64, int64, uint8 or object (str).
    unit : str
        '1' for pure numbers and for words.
    long_name : str
    """

    dims: tuple[str, ...]
    data: NDArray[Any]
    unit: str
    long_name: str


Group = dict[str, Variable]

QUANTITY_LABELS = {
    "EDT": ("s", "early decay time"),
    "T20": ("s", "reverberation time from -5 to -25 dB"),
    "T30": ("s", "reverberation time from -5 to -35 dB"),
    "C50": ("dB", "clarity, 50 ms"),
    "C80": ("dB", "clarity, 80 ms"),
    "D50": ("1", "definition, 50 ms"),
    "Ts": ("s", "centre time"),
    "G": ("dB", "sound strength"),
    "curvature": ("%", "curvature of the decay"),
}

POSITIONS = ("variant", "source", "receiver", "band")


def words(values: Sequence[str]) -> NDArray[np.object_]:
    """Strings as an object array, also when there are none."""
    array = np.empty(len(values), dtype=object)
    array[:] = list(values)
    return array


def index_axis(name: str, length: int) -> Variable:
    """An axis that only counts."""
    return Variable((name,), np.arange(length), "1", f"number of the {name.replace('_', ' ')}")


def word_axis(name: str, values: Sequence[str], long_name: str) -> Variable:
    """An axis of names."""
    return Variable((name,), words(values), "1", long_name)


def band_axis(scene: Scene) -> Group:
    """The band axis (nominal labels)."""
    return {"band": Variable(("band",), np.array(scene.bands_hz), "Hz", "nominal octave midband")}


def position_axes(result: Result) -> Group:
    """Axes variant, source, receiver and band."""
    scene = result.scene
    return {
        "variant": word_axis("variant", result.variants, "variant of the room"),
        "source": word_axis("source", [s.name for s in scene.sources], "source"),
        "receiver": word_axis("receiver", [r.name for r in scene.receivers], "receiver"),
        **band_axis(scene),
    }


def decay_group(result: Result, quantities: Mapping[str, Estimate] | None) -> Group:
    """Energies over time and the quantities drawn from them."""
    times = (*POSITIONS, "time")
    group = {
        "batch": index_axis("batch", len(result.energy_batches)),
        **position_axes(result),
        "time": Variable(
            ("time",), result.time_s, "s", "left edge of the bin, after the direct sound"
        ),
        "midband": Variable(
            ("band",),
            np.array([exact_midband_hz(f) for f in result.scene.bands_hz]),
            "Hz",
            "exact midband frequency",
        ),
        "receiver_radius": Variable(
            ("receiver",),
            result.receiver_radius_m,
            "m",
            "radius of the counting sphere for early sound",
        ),
        "energy": Variable(
            times, result.energy, "1", "squared pressure in the bin re the free field at 10 m"
        ),
        "energy_batches": Variable(
            ("batch", *times), result.energy_batches, "1", "the same, of each batch of rays"
        ),
    }
    for key, estimate in (quantities or {}).items():
        unit, long_name = QUANTITY_LABELS[key]
        group[key] = Variable(POSITIONS, estimate.value, unit, long_name)
        group[f"{key}_standard_error"] = Variable(
            POSITIONS, estimate.standard_error, unit, f"standard error of the {long_name}"
        )
        group[f"{key}_reason"] = Variable(
            POSITIONS, estimate.reason.astype(object), "1", f"why the {long_name} is undefined"
        )
    return group


def early_group(result: Result) -> Group:
    """Specular paths, one row each; facets and points padded to the longest path."""
    paths = result.reflections
    bounces = max((path.order for path in paths), default=0)
    facets = np.full((len(paths), bounces), -1)
    points = np.full((len(paths), bounces, 3), np.nan)
    bands = len(result.scene.bands_hz)
    energy, level = np.zeros((2, len(paths), bands))
    for row, path in enumerate(paths):
        facets[row, : path.order] = path.facets
        points[row, : path.order] = path.points
        energy[row], level[row] = path.energy, path.level_db

    def column(name: str, unit: str, long_name: str, kind: type = float) -> Variable:
        values: NDArray[Any] = np.array([getattr(path, name) for path in paths], dtype=kind)
        return Variable(("path",), values, unit, long_name)

    return {
        "path": index_axis("path", len(paths)),
        "bounce": index_axis("bounce", bounces),
        "axis": word_axis("axis", "xyz", "axis of the room"),
        **band_axis(result.scene),
        "variant": column("variant", "1", "index into /decay/variant", int),
        "source": column("source", "1", "index into /decay/source", int),
        "receiver": column("receiver", "1", "index into /decay/receiver", int),
        "time": column("delay_s", "s", "arrival after the direct sound"),
        "length": column("length_m", "m", "length of the path"),
        "order": column("order", "1", "number of reflections; 0 is the direct sound", int),
        "energy": Variable(
            ("path", "band"), energy, "1", "squared pressure re the free field at 10 m"
        ),
        "level": Variable(("path", "band"), level, "dB", "level re the unobstructed direct sound"),
        "azimuth": column("azimuth_deg", "degree", "from the receiver's facing, right positive"),
        "elevation": column("elevation_deg", "degree", "above the horizontal"),
        "facets": Variable(
            ("path", "bounce"), facets, "1", "index into /scene/facet from the source on; -1 none"
        ),
        "points": Variable(("path", "bounce", "axis"), points, "m", "where the path is reflected"),
    }


def checks_group(checks: Sequence[Check]) -> Group:
    """Criteria, one row each."""

    def column(name: str, long_name: str, kind: type = object) -> Variable:
        values: list[Any] = [getattr(check, name) for check in checks]
        data = words(values) if kind is object else np.array(values, dtype=kind)
        return Variable(("check",), data, "1", long_name)

    return {
        "check": index_axis("check", len(checks)),
        "criterion": column("criterion", "what is asked"),
        "variant": column("variant", "variant of the room"),
        "value": column("value", "what the result gives, in the unit of the row", float),
        "standard_error": column("standard_error", "of the value, in the unit of the row", float),
        "limit": column("limit", "limit of the criterion, in the unit of the row", float),
        "unit": column("unit", "unit of value, standard_error and limit"),
        "verdict": column("verdict", "met, not met, can't tell or not evaluated"),
        "reason": column("reason", "why it was not evaluated"),
        "source": column("source", "source of the limit"),
    }


def root_attributes(result: Result) -> dict[str, str | int | float]:
    """Attributes of the file: all that made the result but the arrays."""
    scene = result.scene
    return {
        "kind": KIND,
        "format_version": FORMAT_VERSION,
        "raysim_version": result.raysim_version,
        "created": result.created,
        "title": scene.title,
        "seed": result.settings.seed,
        "scene_toml": scene.text,
        "scene_path": scene.path,
        "mesh_sha256": scene.mesh_sha256,
        "settings": json.dumps(dataclasses.asdict(result.settings)),
        "climate": json.dumps(dataclasses.asdict(scene.climate)),
        "rays": result.rays,
        "rounds": result.rounds,
        "image_order": result.image_order,
        "reflection_count": result.reflection_count,
        "lost_rays": result.lost_rays,
        "stopped_by": result.stopped_by,
        "duration_of_run_s": result.duration_of_run_s,
    }
