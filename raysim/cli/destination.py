"""Where a result will go: made sure of before anything is computed."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from raysim.errors import ResultError
from raysim.files import why_not_written

_HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"


def folder_option(text: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """The option -o of commands that write a folder; `text` is its help."""
    path = click.Path(path_type=Path)
    return click.option("-o", "--output", "folder", metavar="DIR", type=path, help=text)


def ensure_writable(path: Path) -> None:
    """Raise unless a result can be written under `path`; leaves no trace.

    An earlier result there may be replaced; any other file may not.

    Raises
    ------
    ResultError
        The folder is missing or takes no file, or the name is taken by something else.
    """
    folder = path.parent
    if path.is_dir():
        raise ResultError(f"{path}: is a folder; name a file, such as {path / 'room.h5'}")
    if not folder.exists():
        raise ResultError(f"{path}: the folder '{folder}' does not exist; make it first")
    if not folder.is_dir():
        raise ResultError(f"{path}: '{folder}' is a file, not a folder; choose another place")
    if path.exists():
        _ensure_replaceable(path)
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise ResultError(why_not_written(path, error)) from None


def _ensure_replaceable(path: Path) -> None:
    try:
        with path.open("rb") as file:
            start = file.read(len(_HDF5_SIGNATURE))
    except OSError as error:
        raise ResultError(
            f"{path}: exists and cannot be read ({error.strerror}); choose another name with -o"
        ) from None
    if start != _HDF5_SIGNATURE:
        raise ResultError(
            f"{path}: exists and is not a result, so it is left alone; choose another name with -o"
        )


def partial_name(path: Path) -> Path:
    """Name under which an interrupted run is kept: 'room.h5' gives 'room.partial.h5'."""
    return path.with_name(f"{path.stem}.partial{path.suffix or '.h5'}")
