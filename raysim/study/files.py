"""Files that a scene names, called by their contents, so that a task holds all it needs."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from raysim.errors import SceneError
from raysim.scene.text import named_files
from raysim.study.paths import Tree, changed


@dataclass(frozen=True)
class LinkedFile:
    """A mesh or a table of directivity.

    Attributes
    ----------
    name : str
        'room-0123456789abcdef.obj': the stem, digits of the content's SHA-256, the suffix.
    data : bytes
    """

    name: str
    data: bytes


class Linker:
    """Reads each file once.

    Parameters
    ----------
    folder : Path
        Of the scene file.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._read: dict[str, LinkedFile | None] = {}

    def link(self, tree: Tree) -> tuple[Tree, tuple[LinkedFile, ...]]:
        """A scene file with names from contents, and those files.

        A name without a file stays, for the reader of the scene to complain of.

        Raises
        ------
        SceneError
            A mesh that is spread over several files.
        """
        found = [(path, self._file(name)) for path, name in named_files(tree)]
        there = [(path, file) for path, file in found if file is not None]
        linked = changed(tree, [(path, file.name) for path, file in there])
        return linked, tuple({file.name: file for _, file in there}.values())

    def _file(self, name: str) -> LinkedFile | None:
        if name not in self._read:
            place = Path(name)
            if place.suffix.lower() == ".gltf":
                raise SceneError(
                    f"{name}: a study keeps each mesh in one file; save it as .glb instead"
                )
            path = self._folder / name
            self._read[name] = _linked(place, path.read_bytes()) if path.is_file() else None
        return self._read[name]


def _linked(place: Path, data: bytes) -> LinkedFile:
    digits = hashlib.sha256(data).hexdigest()[:16]
    return LinkedFile(f"{place.stem}-{digits}{place.suffix}", data)
