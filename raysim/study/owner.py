"""One writer a folder: a lock of the operating system, which a crash can't leave behind.

The lock is an open file's (flock on Unix); it ends with its process, however that ends. What
the file beside it says of the owner is for people.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import platform
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from raysim.errors import ResultError
from raysim.files import why_not_written, write_whole

LOCK_FILE = "owner.lock"
OWNER_FILE = "owner.json"


@dataclass(frozen=True)
class Owner:
    """Who computes in a folder.

    Attributes
    ----------
    process : int
    host : str
    since : str
        Local time, ISO 8601.
    """

    process: int
    host: str
    since: str

    def in_words(self) -> str:
        """'process 4711 on ws1 since 2026-11-25 22:03'."""
        return f"process {self.process} on {self.host} since {self.since}"


@contextlib.contextmanager
def owned(folder: Path) -> Iterator[Owner | None]:
    """Be the only one who writes into a folder, which is made.

    Yields
    ------
    Owner or None
        An earlier owner that ended without tidying up.

    Raises
    ------
    ResultError
        Another process is at it, or the folder can't be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = FileLock(folder / LOCK_FILE)
        lock.acquire(timeout=0)
    except Timeout:
        other = read_owner(folder)
        who = other.in_words() if other else "another process"
        raise ResultError(
            f"{folder}: {who} is computing this study; wait for it, or stop it, or give another "
            "folder with -o"
        ) from None
    except OSError as error:
        raise ResultError(why_not_written(folder, error)) from None
    try:
        left_behind = read_owner(folder)
        now = datetime.datetime.now().isoformat(sep=" ", timespec="minutes")
        _write(folder, Owner(os.getpid(), platform.node(), now))
        try:
            yield left_behind
        finally:
            with contextlib.suppress(OSError):
                (folder / OWNER_FILE).unlink()
    finally:
        lock.release()


def is_owned(folder: Path) -> bool:
    """Whether a process computes in a folder now."""
    if not (folder / LOCK_FILE).exists():
        return False
    try:
        with FileLock(folder / LOCK_FILE, timeout=0):
            return False
    except Timeout:
        return True
    except OSError:  # whoever may not even lock the file isn't told who does
        return False


def read_owner(folder: Path) -> Owner | None:
    """Who computes, or computed and didn't tidy up; None where nobody is named."""
    try:
        return Owner(**json.loads((folder / OWNER_FILE).read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def _write(folder: Path, owner: Owner) -> None:
    try:
        write_whole(folder / OWNER_FILE, json.dumps(asdict(owner)).encode("utf-8"))
    except OSError as error:
        raise ResultError(why_not_written(folder / OWNER_FILE, error)) from None
