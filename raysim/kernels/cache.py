"""Where compiled kernels are kept: a folder for each state of the kernels' sources.

numba sees only the file of the function that it caches, not those whose functions went into it;
so the name of the folder holds a digest of all of them. Folders of earlier states are removed.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numba

config: Any = numba.config
STATES_KEPT = 4
PREFIX = "raysim_kernels_"


def digest(folder: Path) -> str:
    """Of names and contents of the Python files in a folder, 16 hexadecimal digits."""
    total = hashlib.sha256()
    for path in sorted(folder.glob("*.py")):
        total.update(path.name.encode())
        total.update(hashlib.sha256(path.read_bytes()).digest())
    return total.hexdigest()[:16]


def find_folder(sources: Path, parents: list[Path]) -> Path | None:
    """Folder for the present state of `sources`, made in the first parent that may be written.

    The oldest folders of other states are removed beyond `STATES_KEPT`. None where no parent may
    be written.
    """
    for parent in parents:
        chosen = parent / f"{PREFIX}{digest(sources)}"
        try:
            chosen.mkdir(parents=True, exist_ok=True)
            os.utime(chosen)
        except OSError:
            continue
        if os.access(chosen, os.W_OK):
            _remove_old(parent)
            return chosen
    return None


def usual_parents(sources: Path) -> list[Path]:
    """NUMBA_CACHE_DIR if it is set; else beside the sources, or in the user's cache."""
    if config.CACHE_DIR:
        return [Path(config.CACHE_DIR)]
    of_user = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    parents = [sources / "__pycache__"]
    with contextlib.suppress(RuntimeError):  # nobody's home
        parents.append((Path(of_user) if of_user else Path.home() / ".cache") / "raysim")
    return parents


@contextlib.contextmanager
def kept_in(folder: Path) -> Iterator[None]:
    """Let numba keep in `folder` what is declared within; others' functions are left alone."""
    before = config.CACHE_DIR
    config.CACHE_DIR = str(folder)
    try:
        yield
    finally:
        config.CACHE_DIR = before


def _remove_old(parent: Path) -> None:
    folders = []
    for path in parent.glob(f"{PREFIX}*"):
        with contextlib.suppress(OSError):  # another process may remove it meanwhile
            folders.append((path.stat().st_mtime, path))
    for _, path in sorted(folders, reverse=True)[STATES_KEPT:]:
        shutil.rmtree(path, ignore_errors=True)
