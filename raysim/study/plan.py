"""Which tasks make up a study, and where in its folder their files are."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import tomli_w

from raysim.errors import ResultError
from raysim.files import why_not_written, write_whole
from raysim.results.run_numbers import RunNumbers, is_intact, read_numbers
from raysim.study.files import Linker
from raysim.study.paths import changed
from raysim.study.read import Study
from raysim.study.sharing import changes_of, is_shareable, merged, variant_name
from raysim.study.tasks import Outcome, Task, engine, settings_text

HEADER = "# Made by raysim study.\n"


@dataclass(frozen=True)
class Planned:
    """A task before it is built.

    Attributes
    ----------
    digest : str
    runs : tuple of int
    """

    digest: str
    runs: tuple[int, ...]


class Plan:
    """The tasks of a study. Tasks are built when they are handed out, so that memory is flat.

    Parameters
    ----------
    study : Study
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self._linker = Linker(study.folder)
        self.planned = [self._plan(runs) for runs in self._together()]

    def build(self, planned: Planned) -> Task:
        """The task itself."""
        return self._task(planned.runs)

    def alone(self, planned: Planned) -> list[Planned]:
        """A task for each of its runs, for when some of them spoil a shared one."""
        return [self._plan((run,)) for run in planned.runs] if len(planned.runs) > 1 else []

    def names_in(self, planned: Planned, run: int) -> list[str]:
        """Names in the task's result of the study's variants in a run."""
        if len(planned.runs) == 1:
            return list(self.study.variants)
        number = planned.runs.index(run)
        return [variant_name(number, name) for name in self.study.variants]

    def _plan(self, runs: tuple[int, ...]) -> Planned:
        return Planned(self._task(runs).digest, runs)

    def _together(self) -> Iterator[tuple[int, ...]]:
        """Runs that one trace serves."""
        study = self.study
        size = max(1, study.variants_a_trace // len(study.variants))
        own = [not is_shareable(factor, study.tree, study.scene) for factor in study.factors]
        groups: dict[str, list[int]] = {}
        for run in range(study.runs):
            values = zip(study.point_of(run), own, strict=True)
            key = [study.seed_of(run), *(value for value, is_own in values if is_own)]
            groups.setdefault(json.dumps(key, default=str), []).append(run)
        for runs in groups.values():
            for first in range(0, len(runs), size):
                yield tuple(runs[first : first + size])

    def _task(self, runs: tuple[int, ...]) -> Task:
        study = self.study
        points = [study.point_of(run) for run in runs]
        if len(points) == 1:
            tree = changed(study.tree, changes_of(study.factors, points[0]))
            variants = study.variants
        else:
            tree = merged(study.tree, study.factors, points, study.variants, study.scene)
            variants = tuple(tree["variants"])
        tree, files = self._linker.link(tree)
        return Task(
            scene_toml=HEADER + tomli_w.dumps(tree),
            files=files,
            settings=settings_text(study.settings, study.seed_of(runs[0])),
            variants=variants,
            keep_result=study.keep_results,
            engine=engine(),
        )


class Shelf:
    """The folder of a study and the files in it.

    Parameters
    ----------
    folder : Path
    keep_results : bool
        Whether a task is done only with its whole result beside its numbers.
    """

    def __init__(self, folder: Path, keep_results: bool) -> None:
        self.folder, self._keep_results = folder, keep_results

    def numbers_path(self, digest: str) -> Path:
        """Of a task's quantities."""
        return self.folder / "tasks" / digest[:2] / f"{digest[:32]}.h5"

    def result_path(self, digest: str) -> Path:
        """Of a task's whole result, where it is kept."""
        return self.folder / "results" / f"{digest[:32]}.h5"

    @property
    def data_path(self) -> Path:
        """Of the merged data set."""
        return self.folder / "study.h5"

    def keep(self, outcome: Outcome) -> None:
        """Write the files of a finished task, the one that says it is done last.

        Raises
        ------
        ResultError
            The disk takes no more.
        """
        files = [(self.numbers_path(outcome.digest), outcome.numbers)]
        if outcome.result:
            files.insert(0, (self.result_path(outcome.digest), outcome.result))
        for path, data in files:
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                write_whole(path, data)
            except OSError as error:
                raise ResultError(why_not_written(path, error)) from None

    def is_done(self, digest: str) -> bool:
        """Whether a task is finished and every byte of its files is intact."""
        paths = [self.numbers_path(digest)]
        if self._keep_results:
            paths.append(self.result_path(digest))
        return all(path.is_file() and is_intact(path.read_bytes(), digest) for path in paths)

    def numbers(self, digest: str) -> RunNumbers | None:
        """Numbers of a task that is done, else None."""
        return read_numbers(self.numbers_path(digest), digest) if self.is_done(digest) else None
