"""Results as HDF5 files: written whole, reloaded bit by bit (docs/formats/result.md)."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from raysim.errors import ResultError, SettingsError
from raysim.estimate import Estimate
from raysim.files import why_not_written, write_whole
from raysim.results.bass_group import bass_from, bass_group
from raysim.results.checks import Check
from raysim.results.data import Maps, Reflection, Result
from raysim.results.layout import (
    FORMAT_VERSION,
    KIND,
    Group,
    Variable,
    checks_group,
    decay_group,
    early_group,
    root_attributes,
)
from raysim.results.maps_group import grid_group, maps_from, surface_groups
from raysim.results.response import Response, response_group
from raysim.results.scene_group import (
    scene_attributes,
    scene_from,
    scene_group,
    shell_attributes,
    shell_from,
    shell_group,
)
from raysim.scene.data import Scene, Shell
from raysim.settings import Settings

SMALLEST_TO_COMPRESS = 4096


def save(
    result: Result,
    path: str | os.PathLike[str],
    quantities: Mapping[str, Estimate] | None = None,
    checks: Sequence[Check] = (),
    response: Response | None = None,
) -> None:
    """Write a result file.

    Parameters
    ----------
    result : Result
    path : path
        Replaced if it exists; never left half-written.
    quantities : mapping of str to Estimate, optional
        As `quantities.evaluate_all` gives; stored for readers of the file, recomputed by ours.
    checks : sequence of Check
        As `quantities.check_all` gives.
    response : Response, optional
        As `quantities.joined_response` gives.

    Raises
    ------
    ResultError
        The file cannot be written.
    """
    buffer = io.BytesIO()
    with h5py.File(buffer, "w") as file:
        file.attrs.update(root_attributes(result))
        write_group(file.create_group("decay"), decay_group(result, quantities))
        write_group(file.create_group("early"), early_group(result))
        write_group(file.create_group("checks"), checks_group(checks))
        scene = file.create_group("scene")
        scene.attrs.update(scene_attributes(result.scene))
        write_group(scene, scene_group(result.scene))
        for number, shell in enumerate(result.scene.shells):
            group = scene.create_group(f"shell{number}")
            group.attrs.update(shell_attributes(shell))
            write_group(group, shell_group(shell))
        if result.maps is not None:
            write_group(file.create_group("map_grid"), grid_group(result, result.maps))
            for name, group in surface_groups(result, result.maps).items():
                write_group(file.create_group(f"maps/{name}"), group)
        if result.bass is not None:
            write_group(file.create_group("bass"), bass_group(result, result.bass))
        if response is not None:
            write_group(file.create_group("response"), response_group(result, response))
    try:
        write_whole(path, buffer.getbuffer())
    except OSError as error:
        raise ResultError(why_not_written(path, error)) from error


def load_result(path: str | os.PathLike[str]) -> Result:
    """Read a result file; equal to what was saved, bit by bit.

    Raises
    ------
    ResultError
        Not there, not a result, of another format version, or damaged.
    """
    if Path(path).is_dir():
        raise ResultError(f"{path}: it is a folder; name the result in it, such as room.h5")
    if not Path(path).is_file():
        raise ResultError(f"{path}: no such file; give a result that 'raysim run' wrote")
    try:
        with h5py.File(path, "r") as file:
            _check_kind(file, path)
            return _result_from(file)
    except (KeyError, OSError, RuntimeError, TypeError, ValueError, SettingsError) as error:
        raise ResultError(_why_unreadable(path)) from error


def _why_unreadable(path: str | os.PathLike[str]) -> str:
    try:
        with open(path, "rb") as file:
            is_hdf5 = file.read(8) == b"\x89HDF\r\n\x1a\n"
    except OSError as error:
        return f"{path}: cannot be read: {error.strerror}; check its permissions"
    if is_hdf5:
        return f"{path}: damaged or cut short; run the scene again or take a backup"
    return f"{path}: not a result file; give a result that 'raysim run' wrote"


def _check_kind(file: Any, path: str | os.PathLike[str]) -> None:
    kind = file.attrs.get("kind")
    if kind != KIND:
        raise ResultError(
            f"{path}: an HDF5 file of another kind; give a result that 'raysim run' wrote"
        )
    version = int(file.attrs["format_version"])
    if version != FORMAT_VERSION:
        cure = "update raysim" if version > FORMAT_VERSION else "run its scene again"
        raise ResultError(
            f"{path}: format version {version}, written by raysim "
            f"{file.attrs.get('raysim_version', '?')}; this raysim reads version "
            f"{FORMAT_VERSION}: {cure}"
        )


def write_group(target: Any, group: Group) -> None:
    """Put labelled arrays into an HDF5 group, their axes first."""
    axes = {name for name, variable in group.items() if variable.dims == (name,)}
    for name in sorted(group, key=lambda name: name not in axes):
        variable = group[name]
        dataset = _write(target, name, variable)
        if name in axes:
            dataset.make_scale(name)
            continue
        for position, axis in enumerate(variable.dims):
            dataset.dims[position].attach_scale(target[axis])


def _write(target: Any, name: str, variable: Variable) -> Any:
    options: dict[str, Any] = {}
    if variable.data.dtype == object:
        options["dtype"] = h5py.string_dtype("utf-8")
    elif variable.data.nbytes > SMALLEST_TO_COMPRESS:
        options = {"compression": "gzip", "compression_opts": 1, "shuffle": True}
    dataset = target.create_dataset(name, data=variable.data, **options)
    dataset.attrs["long_name"] = variable.long_name
    dataset.attrs["units"] = variable.unit
    return dataset


def _result_from(file: Any) -> Result:
    root = dict(file.attrs)
    decay = file["decay"]
    return Result(
        scene=_scene_from(file["scene"], root),
        settings=Settings(**json.loads(root["settings"])),
        variants=tuple(read_dataset(decay, "variant")),
        image_order=int(root["image_order"]),
        time_s=read_dataset(decay, "time"),
        energy_batches=read_dataset(decay, "energy_batches"),
        reflections=_reflections_from(file["early"]),
        rounds=int(root["rounds"]),
        rays=int(root["rays"]),
        reflection_count=int(root["reflection_count"]),
        lost_rays=int(root["lost_rays"]),
        receiver_radius_m=read_dataset(decay, "receiver_radius"),
        stopped_by=str(root["stopped_by"]),
        duration_of_run_s=float(root["duration_of_run_s"]),
        raysim_version=str(root["raysim_version"]),
        created=str(root["created"]),
        maps=_maps_from(file) if "maps" in file else None,
        bass=bass_from(partial(read_dataset, file["bass"])) if "bass" in file else None,
    )


def _maps_from(file: Any) -> Maps:
    surfaces = [partial(read_dataset, group) for group in file["maps"].values()]
    return maps_from(partial(read_dataset, file["map_grid"]), surfaces)


def _scene_from(group: Any, root: Mapping[str, Any]) -> Scene:
    shells: list[Shell] = []
    while (name := f"shell{len(shells)}") in group:
        shells.append(shell_from(partial(read_dataset, group[name]), group[name].attrs))
    return scene_from(partial(read_dataset, group), group.attrs, root, shells)


def _reflections_from(early: Any) -> tuple[Reflection, ...]:
    names = ("variant", "source", "receiver", "order", "facets", "points", "length", "time")
    columns = [
        read_dataset(early, name) for name in (*names, "energy", "level", "azimuth", "elevation")
    ]
    return tuple(
        Reflection(
            variant=int(variant),
            source=int(source),
            receiver=int(receiver),
            facets=tuple(int(number) for number in facets[:order]),
            points=points[:order],
            length_m=float(length),
            delay_s=float(delay),
            energy=energy,
            level_db=level,
            azimuth_deg=float(azimuth),
            elevation_deg=float(elevation),
        )
        for (
            variant,
            source,
            receiver,
            order,
            facets,
            points,
            length,
            delay,
            energy,
            level,
            azimuth,
            elevation,
        ) in zip(*columns, strict=True)
    )


def read_dataset(group: Any, name: str) -> NDArray[Any]:
    """An array of an HDF5 group, text as str."""
    dataset = group[name]
    if h5py.check_string_dtype(dataset.dtype) is not None:
        return np.asarray(dataset.asstr()[...], dtype=object)
    return np.asarray(dataset[...])
