"""raysim: acoustic prediction for small listening rooms.

>>> import raysim
>>> scene = raysim.load_scene("scenes/linden.toml")  # doctest: +SKIP
>>> result = raysim.run(scene, raysim.Settings(error_percent=5))  # doctest: +SKIP
>>> raysim.save(result, "linden.h5")  # doctest: +SKIP
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from raysim.settings import Settings
from raysim.version import __version__

if TYPE_CHECKING:
    from raysim.results.data import Result
    from raysim.results.store import load_result
    from raysim.scene.read import load_scene
    from raysim.solvers.run import run

__all__ = ["Settings", "__version__", "load_result", "load_scene", "run", "save"]

_HOMES = {
    "load_scene": "raysim.scene.read",
    "load_result": "raysim.results.store",
    "run": "raysim.solvers.run",
}


def __getattr__(name: str) -> Any:
    """Import what is heavy only when it is asked for, so that `raysim --help` is quick."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'raysim' has no attribute '{name}'")


def save(result: Result, path: str | Path) -> None:
    """Write a result with all its quantities and checks to an HDF5 file.

    Raises
    ------
    ResultError
        The file cannot be written; nothing is left under its name.
    """
    from raysim.quantities import check_all, evaluate_all, joined_response
    from raysim.results.store import save as store

    store(result, path, evaluate_all(result), check_all(result), joined_response(result))
