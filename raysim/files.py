"""Files are written whole: under a temporary name beside the final one, then renamed."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from pathlib import Path

_REMEDIES = {
    errno.ENOSPC: "the disk is full; free some space or write to another disk",
    errno.EDQUOT: "your quota of the disk is used up; free some space or write to another disk",
    errno.EACCES: "no permission to write there; choose another folder",
    errno.EPERM: "no permission to write there; choose another folder",
    errno.EROFS: "the disk is read-only; choose another folder",
    errno.ENOENT: "the folder does not exist; create it or choose another",
    errno.ENOTDIR: "what should be its folder is a file; choose another folder",
    errno.EISDIR: "it is a folder; give a file name",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
}


def write_whole(path: str | os.PathLike[str], data: bytes | memoryview) -> None:
    """Write `data` to `path` so that the name never holds a part of it.

    The data are on the disk before the rename. Whatever goes wrong, an older file of that name
    is left as it was and the temporary one is removed.

    Raises
    ------
    OSError
        `why_not_written` puts it in a sentence.
    """
    path = Path(path)
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    temporary = path.with_name(f".{path.name[:100]}.{secrets.token_hex(4)}.part")
    descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    _sync_folder(path.parent)


def why_not_written(path: str | os.PathLike[str], error: OSError) -> str:
    """One sentence: which file, what is wrong, what would be right."""
    remedy = _REMEDIES.get(error.errno or 0, error.strerror or str(error))
    return f"{path}: cannot be written: {remedy}"


def _sync_folder(folder: Path) -> None:
    # The rename itself must survive a power cut; some file systems refuse to sync a folder.
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
