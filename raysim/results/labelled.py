"""Results as xarray datasets (optional extra 'xarray')."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from raysim.estimate import Estimate
from raysim.results.bass_group import bass_group
from raysim.results.checks import Check
from raysim.results.data import Result
from raysim.results.layout import Group, checks_group, decay_group, early_group, root_attributes
from raysim.results.response import Response, response_group
from raysim.results.scene_group import scene_attributes, scene_group


def to_xarray(
    result: Result,
    group: str = "decay",
    quantities: Mapping[str, Estimate] | None = None,
    checks: Sequence[Check] = (),
    response: Response | None = None,
) -> Any:
    """One group of the result file as an `xarray.Dataset`, without a file.

    Parameters
    ----------
    group : str
        'decay', 'early', 'checks', 'scene', 'bass' where it was computed, or 'response' if given.
    quantities, checks, response
        As for `store.save`.

    Raises
    ------
    ImportError
        xarray isn't installed.
    ValueError
        Unknown group.
    """
    try:
        import xarray
    except ImportError as error:
        raise ImportError("to_xarray needs xarray: pip install 'raysim[xarray]'") from error
    contents: dict[str, tuple[Group, Mapping[str, Any]]] = {
        "decay": (decay_group(result, quantities), root_attributes(result)),
        "early": (early_group(result), {}),
        "checks": (checks_group(checks), {}),
        "scene": (scene_group(result.scene), scene_attributes(result.scene)),
    }
    if result.bass is not None:
        contents["bass"] = (bass_group(result, result.bass), {})
    if response is not None:
        contents["response"] = (response_group(result, response), {})
    if group not in contents:
        raise ValueError(f"group: {group!r}; use one of {', '.join(contents)}")
    variables, attributes = contents[group]
    arrays = {
        name: xarray.Variable(
            one.dims,
            one.data,
            {"long_name": one.long_name, "units": one.unit},
        )
        for name, one in variables.items()
    }
    axes = {name for name, one in variables.items() if one.dims == (name,)}
    return xarray.Dataset(
        {name: array for name, array in arrays.items() if name not in axes},
        {name: arrays[name] for name in axes},
        attributes,
    )
