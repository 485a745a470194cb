"""Tasks: what a worker needs to compute some runs, and what it gives back."""

from __future__ import annotations

import hashlib
import json
import os
import re
import sys
import tempfile
import threading
import time
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from threadpoolctl import threadpool_limits

from raysim.errors import RaysimError, ResultError
from raysim.kernels.cache import digest as digest_of_sources
from raysim.results.run_numbers import numbers_bytes, seal
from raysim.settings import Settings
from raysim.study.files import LinkedFile
from raysim.version import __version__

TASK_FORMAT = 1
SCENE_FILE = "scene.toml"
_PLACE = re.compile(rf"^.*{re.escape(SCENE_FILE)}(?: line \d+)?: ", re.MULTILINE)
_ONE_AT_A_TIME = threading.Lock()
"""A worker of a cluster may have several threads; each computation has the process to itself."""


@dataclass(frozen=True)
class Task:
    """Some runs on one trace: all that their numbers depend on, and nothing else.

    Attributes
    ----------
    scene_toml : str
    files : tuple of LinkedFile
        Named in the scene by digits of their contents.
    settings : str
        JSON of `Settings`.
    variants : tuple of str
    keep_result : bool
        Give the whole result back, too.
    engine : str
        Version and digest of the compiled part; a worker of another engine refuses the task.
    """

    scene_toml: str
    files: tuple[LinkedFile, ...]
    settings: str
    variants: tuple[str, ...]
    keep_result: bool
    engine: str

    @property
    def digest(self) -> str:
        """SHA-256 of all of it, 64 hexadecimal digits."""
        content = [
            TASK_FORMAT,
            self.scene_toml,
            [file.name for file in self.files],
            self.settings,
            self.variants,
            self.keep_result,
            self.engine,
        ]
        return hashlib.sha256(json.dumps(content).encode("utf-8")).hexdigest()


@dataclass(frozen=True)
class Failure:
    """Why a task gave nothing.

    Attributes
    ----------
    sentence : str
    may_pass : bool
        Whether another try makes sense.
    """

    sentence: str
    may_pass: bool


@dataclass(frozen=True)
class Outcome:
    """What became of a task.

    Attributes
    ----------
    digest : str
    numbers, result : bytes
        Sealed files; empty after a failure, and `result` where it isn't kept.
    failure : Failure or None
    seconds : float
    peak_bytes : int
        Largest memory of the worker so far.
    """

    digest: str
    numbers: bytes = b""
    result: bytes = b""
    failure: Failure | None = None
    seconds: float = 0.0
    peak_bytes: int = 0


@cache
def engine() -> str:
    """Version, and digest of the compiled part's sources."""
    import raysim.kernels

    (folder,) = raysim.kernels.__path__
    return f"{__version__} {digest_of_sources(Path(folder))}"


def settings_text(settings: Settings, seed: int) -> str:
    """JSON of what a run's numbers depend on."""
    return json.dumps(asdict(replace(settings, seed=seed, threads=None)), sort_keys=True)


def attempt(task: Task, threads: int) -> Outcome:
    """Compute a task; whatever goes wrong is said in its outcome.

    Parameters
    ----------
    task : Task
    threads : int
        Of the ray tracer; they change no bit.
    """
    began = time.monotonic()
    failure = None
    numbers = result = b""
    try:
        with _ONE_AT_A_TIME, threadpool_limits(1):
            numbers, result = _computed(task, threads)
    except RaysimError as error:
        failure = Failure(_PLACE.sub("", str(error)).replace("\n", "; "), may_pass=False)
    except MemoryError:
        failure = Failure("the machine had too little memory; use fewer workers", may_pass=True)
    except OSError as error:
        failure = Failure(f"the worker's disk failed: {error.strerror or error}", may_pass=True)
    except Exception as error:
        failure = Failure(
            f"this is a bug in raysim {__version__} ({type(error).__name__}: {error}); please "
            "report it with the scene file",
            may_pass=True,
        )
    seconds = time.monotonic() - began
    return Outcome(task.digest, numbers, result, failure, seconds, peak_bytes())


def _computed(task: Task, threads: int) -> tuple[bytes, bytes]:
    from raysim import save
    from raysim.quantities import evaluate_all, transition_frequency
    from raysim.scene.read import load_scene
    from raysim.solvers.run import run

    if task.engine != engine():
        raise ResultError(
            f"the worker has raysim {engine()}, the study {task.engine}; install the same on all"
        )
    settings: dict[str, Any] = json.loads(task.settings)
    with tempfile.TemporaryDirectory(prefix="raysim_task_") as name:
        folder = Path(name)
        for file in task.files:
            (folder / file.name).write_bytes(file.data)
        (folder / SCENE_FILE).write_text(task.scene_toml, encoding="utf-8")
        scene = load_scene(folder / SCENE_FILE)
        result = run(scene, Settings(**settings | {"threads": threads}), variants=task.variants)
        whole = b""
        if task.keep_result:
            save(result, folder / "result.h5")
            whole = seal((folder / "result.h5").read_bytes(), task.digest)
    return numbers_bytes(
        result, evaluate_all(result), transition_frequency(result), task.digest
    ), whole


def peak_bytes() -> int:
    """Largest resident memory of this process so far; 0 where the system doesn't tell."""
    try:
        import resource
    except ImportError:
        return 0
    unit = 1 if sys.platform == "darwin" else 1024
    return unit * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def processor_count() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
