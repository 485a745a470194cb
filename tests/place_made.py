"""Small rooms as scene files, for tests of the search for places."""

from collections.abc import Sequence
from pathlib import Path

from raysim.scene.starter import scene_text


def room_file(folder: Path, size: Sequence[float] = (2.8, 2.2, 2.3), name: str = "room") -> Path:
    """The usual layout in a box of length, width, height in m."""
    path = folder / f"{name}.toml"
    path.write_text(scene_text(size), encoding="utf-8")
    return path
