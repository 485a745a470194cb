"""A TOML file that a user wrote: its text, and its tables with a list for complaints."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

from raysim.errors import SceneError
from raysim.scene.complaints import Complaints
from raysim.scene.lines import SyntaxFault, key_lines, parse

LARGEST_FILE_BYTES = 10_000_000


MARKS = {
    "scene file": {"room", "sources", "receivers"},
    "study file": {"scene", "factors"},
    "catalogue": {"items"},
}
"""Tables that only a file of this kind has."""


@dataclass(frozen=True)
class Kind:
    """What a file is, and what helps where it isn't that.

    Attributes
    ----------
    name : str
    missing, binary, empty : str
        The remedy where there is no such file, where it is no text, and where nothing is in it.
    """

    name: str
    missing: str
    binary: str
    empty: str


SCENE = Kind(
    "scene file",
    "check the name, or 'raysim init' writes one",
    "save it as UTF-8 (a mesh goes in room.mesh)",
    "'raysim init' writes a scene to start from",
)


def text_of(path: str | PathLike[str], kind: Kind = SCENE) -> str:
    """Text of a file, its lines ended alike.

    Raises
    ------
    SceneError
        One sentence on why it can't be read.
    """
    place = Path(path)
    try:
        if place.is_dir():
            raise SceneError(f"{path}: it is a folder; name the {kind.name} in it")
        if place.stat().st_size > LARGEST_FILE_BYTES:
            raise SceneError(f"{path}: it is larger than 10 MB; a {kind.name} is a short text")
        data = place.read_bytes()
    except FileNotFoundError:
        raise SceneError(f"{path}: there is no such file; {kind.missing}") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise SceneError(f"{path}: it cannot be read ({reason}); check its permissions") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise SceneError(f"{path} line {line}: it is not UTF-8 text; {kind.binary}") from None
    if not text.strip():
        raise SceneError(f"{path}: it is empty; {kind.empty}")
    return text.replace("\r\n", "\n")


def tables_of(
    text: str, path: str | PathLike[str], kind: Kind | None = None
) -> tuple[dict[str, Any], Complaints]:
    """Tables of a text, and an empty list of complaints that knows their lines.

    Parameters
    ----------
    kind : Kind, optional
        What it should be; a file of another kind is then refused in one sentence.

    Raises
    ------
    SceneError
        Where the text is no TOML, with the line; or is another kind of file.
    """
    try:
        tables = parse(text)
    except SyntaxFault as fault:
        line = f" line {fault.line}" if fault.line else ""
        raise SceneError(f"{path}{line}: {fault.sentence}") from None
    found = [name for name, marks in MARKS.items() if not marks.isdisjoint(tables)]
    if kind is not None and found and kind.name not in found:
        raise SceneError(f"{path}: it is a {found[0]}, not a {kind.name}; name the {kind.name}")
    return tables, Complaints(str(path), key_lines(text))


def named_files(tables: Mapping[str, Any]) -> list[tuple[tuple[str, ...], str]]:
    """Files that a scene's tables name, beside the key that does: meshes, and directivities."""
    found: list[tuple[tuple[str, ...], str]] = []
    for table, key in (("objects", "mesh"), ("loudspeakers", "directivity")):
        for name, section in tables.get(table, {}).items():
            if key in section:
                found.append(((table, name, key), str(section[key])))
    if "mesh" in tables.get("room", {}):
        found.append((("room", "mesh"), str(tables["room"]["mesh"])))
    return found
