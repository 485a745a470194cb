"""A whole study from Python: what `raysim study` does, without the shell."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from raysim.solvers.run import Listener, Progress
from raysim.study.conduct import Night, conduct
from raysim.study.effects import Effect, ensure_affordable, write_effects
from raysim.study.merge import Merged, merge
from raysim.study.methods import write_methods
from raysim.study.owner import owned
from raysim.study.plan import Plan, Shelf
from raysim.study.read import load_study
from raysim.study.workers import Crew, local_crew


@dataclass(frozen=True)
class Computed:
    """A study that has been computed as far as it went.

    Attributes
    ----------
    folder : Path
    data : Path
        Of the merged data set.
    night : Night
        What was done, what failed and why it ended.
    merged : Merged
        What the data set holds.
    effects : tuple of Effect
        Empty where none are asked for.
    """

    folder: Path
    data: Path
    night: Night
    merged: Merged
    effects: tuple[Effect, ...]


def open_study(path: str | Path, folder: str | Path | None = None) -> tuple[Plan, Shelf]:
    """The tasks of a study file and the folder for them: by default its name with _study, here.

    Raises
    ------
    SceneError
        The study or its scene is wrong.
    """
    study = load_study(path)
    return Plan(study), Shelf(Path(folder or f"{Path(path).stem}_study"), study.keep_results)


def compute_study(
    path: str | Path,
    folder: str | Path | None = None,
    workers: int | None = None,
    hire: Callable[[int], Crew] | None = None,
    progress: Listener = lambda _: None,
    should_stop: Callable[[], bool] = lambda: False,
    stop_at: datetime.datetime | None = None,
) -> Computed:
    """Compute what is missing of a study and merge all that is there.

    Parameters
    ----------
    path : path
        Of the study file.
    folder : path, optional
        Where to; default as `open_study`.
    workers : int, optional
        Processes; by cores and memory unless given.
    hire : callable, optional
        Gives another crew for a number of tasks, such as `cluster.ClusterCrew`.
    progress, should_stop, stop_at
        As for `conduct`.

    Raises
    ------
    SceneError, SettingsError
        The study or its scene is wrong.
    ResultError
        Another process computes in the folder, or the disk takes no more.

    Notes
    -----
    Workers are processes that import the calling program: outside a notebook, call it below
    `if __name__ == "__main__":`.
    """
    plan, shelf = open_study(path, folder)
    study = plan.study
    ensure_affordable(study)
    with owned(shelf.folder) as left_behind:
        if left_behind is not None:
            who = left_behind.in_words()
            progress(Progress(f"{who} ended early; going on where it stopped", 0.0))
        crew_for = hire or (lambda tasks: local_crew(study, workers, tasks))
        night = conduct(plan, shelf, crew_for, progress, should_stop, stop_at)
        merged = merge(plan, shelf, night.failures)
        effects: list[Effect] = []
        if study.effects is not None and merged.done:
            effects = write_effects(study, shelf)
        write_methods(study, shelf, merged)
    return Computed(shelf.folder, shelf.data_path, night, merged, tuple(effects))
