"""All complaints about one scene file, each with its line, raised at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

from raysim.errors import SceneError
from raysim.scene.lines import Path, line_of
from raysim.scene.schema import SceneFile, Section, keys_of, sections


def nearest(name: str, known: Iterable[str]) -> list[str]:
    """The known name most like a mistyped one, as a list of at most one."""
    return get_close_matches(name.lower(), list(known), n=1, cutoff=0.6)


class Complaints:
    """Sentences gathered while a file is read.

    Parameters
    ----------
    label : str
        The file as its reader named it.
    lines : mapping of key path to line number
    """

    def __init__(self, label: str, lines: Mapping[Path, int]) -> None:
        self.label = label
        self.lines = dict(lines)
        self.found: list[tuple[int, str]] = []

    def add(self, path: Path, sentence: str) -> None:
        """A complaint about the value of a key."""
        self._put(path, f"{'.'.join(path)}: {sentence}" if path else sentence)

    def adopt(self, error: SceneError) -> None:
        """Complaints of a lower step, each beginning with its key ('objects.desk: ...')."""
        for sentence in error.complaints:
            self._put(tuple(sentence.partition(":")[0].split(".")), sentence)

    def unknown_key(self, path: Path, known: Iterable[str]) -> None:
        """A key that nothing reads, with the nearest that something would."""
        near = nearest(path[-1], known)
        place = f" in [{'.'.join(path[:-1])}]" if path[:-1] else ""
        cure = f", did you mean '{near[0]}'?" if near else f"{place}; known are {', '.join(known)}"
        self._put(path, f"unknown key '{path[-1]}'{cure}")

    def raise_any(self) -> None:
        """Raise all in the order of the file, if there are any."""
        if self.found:
            raise SceneError(list(dict.fromkeys(s for _, s in sorted(self.found, key=_place))))

    def _put(self, path: Path, sentence: str) -> None:
        line = line_of(path, self.lines)
        where = f"{self.label} line {line}" if line else self.label
        self.found.append((line or 0, f"{where}: {sentence}"))


def _place(entry: tuple[int, str]) -> int:
    return entry[0]


def read_sections(raw: dict[str, Any], complaints: Complaints) -> tuple[SceneFile, set[Path]]:
    """The file's sections; those with faults are complained of and left out.

    Returns
    -------
    SceneFile
    left_out : set of key paths
        Sections that exist in the file but are not in the SceneFile.
    """
    left_out: set[Path] = set()
    while True:
        try:
            return SceneFile.model_validate(raw), left_out
        except ValidationError as error:
            items = error.errors()
            mistyped = _mistyped(items)
            for item in items:
                path = tuple(str(part) for part in item["loc"])
                if item["type"] != "missing" or path not in mistyped:
                    _complain(path, item, complaints)
                left_out.add(path[:2] if path[0] in NAMED and len(path) > 1 else path[:1])
        raw = _without(raw, left_out)


NAMED = (
    "materials",
    "surfaces",
    "objects",
    "patches",
    "keep_clear",
    "treatments",
    "variants",
    "loudspeakers",
    "sources",
    "receivers",
)


def _mistyped(items: Any) -> set[Path]:
    """Keys that an unknown key beside them was most likely meant to be."""
    meant = set()
    for item in items:
        if item["type"] == "extra_forbidden":
            path = tuple(str(part) for part in item["loc"])
            for near in nearest(path[-1], keys_of(_section_of(path))):
                meant.add((*path[:-1], near))
    return meant


def _without(raw: dict[str, Any], left_out: set[Path]) -> dict[str, Any]:
    kept: dict[str, Any] = {}
    for key, value in raw.items():
        if (key,) in left_out:
            continue
        if key in NAMED and isinstance(value, dict):
            value = {name: item for name, item in value.items() if (key, name) not in left_out}
        kept[key] = value
    return kept


def _complain(path: Path, item: Any, complaints: Complaints) -> None:
    kind = item["type"]
    if kind == "extra_forbidden":
        complaints.unknown_key(path, keys_of(_section_of(path)))
    elif kind == "missing":
        complaints.add(path[:-1], f"'{path[-1]}' is missing; give it")
    elif kind == "value_error":
        complaints.add(path, str(item["ctx"]["error"]))
    else:
        example = "[sources.left]" if path[0] in NAMED and len(path) > 1 else f"[{path[0]}]"
        complaints.add(
            path, f"a table of keys is wanted here, written as {example} and lines below"
        )


def _section_of(path: Path) -> type[Section]:
    return SceneFile if len(path) == 1 else sections()[path[0]]
