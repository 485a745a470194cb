"""One data set of all runs: HDF5 for programs, CSV for spreadsheets."""

from __future__ import annotations

import contextlib
import csv
import os
import secrets
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from raysim.errors import ResultError
from raysim.files import why_not_written
from raysim.results.data_set import (
    DONE,
    FAILED,
    FORMAT_VERSION,
    KIND,
    MISSING,
    Row,
    write_data_set,
)
from raysim.results.layout import QUANTITY_LABELS, Group, Variable, band_axis, word_axis, words
from raysim.study.conduct import FailedRun
from raysim.study.design import Factor, shown
from raysim.study.plan import Plan, Planned, Shelf
from raysim.study.read import Study
from raysim.version import __version__

TASKS_IN_MEMORY = 256


@dataclass
class Merged:
    """What a data set holds.

    Attributes
    ----------
    done, failed, missing : int
        Runs.
    rays : int
        A source, of all tasks together.
    lost_rays : int
    versions : set of str
        Of raysim that computed them.
    """

    done: int = 0
    failed: int = 0
    missing: int = 0
    rays: int = 0
    lost_rays: int = 0
    versions: set[str] = field(default_factory=set)


def merge(plan: Plan, shelf: Shelf, failures: Sequence[FailedRun]) -> Merged:
    """Write study.h5 and study.csv from all tasks that are done and intact.

    Raises
    ------
    ResultError
        The disk takes no more; earlier files of these names are left as they were.
    """
    study, merged = plan.study, Merged()
    csv_path = shelf.data_path.with_suffix(".csv")
    with _whole(shelf.data_path) as data, _whole(csv_path) as table_path:
        with table_path.open("w", encoding="utf-8", newline="") as file:
            table = _Table(file, study)
            rows = _counted(_rows(plan, shelf, failures), merged, table)
            write_data_set(
                data, rows, _columns(study), _axes(study), _attributes(study), _texts(study)
            )
    return merged


@contextlib.contextmanager
def _whole(path: Path) -> Iterator[Path]:
    """A temporary file that takes the name `path` when all went well."""
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        yield temporary
        with temporary.open("rb") as file:
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except OSError as error:
        raise ResultError(why_not_written(path, error)) from None
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


def _rows(plan: Plan, shelf: Shelf, failures: Sequence[FailedRun]) -> Iterator[Row]:
    """Of every run, in order."""
    read = lru_cache(TASKS_IN_MEMORY)(shelf.numbers)
    split = lru_cache(TASKS_IN_MEMORY)(plan.alone)
    sentences = {one.run: one.sentence for one in failures}
    task_of: dict[int, Planned] = {run: one for one in plan.planned for run in one.runs}
    for run in range(plan.study.runs):
        planned = task_of[run]
        numbers = read(planned.digest)
        if numbers is None:
            for alone in split(planned):
                if run in alone.runs:
                    planned, numbers = alone, read(alone.digest)
        if numbers is not None:
            yield Row(DONE, "", planned.digest, numbers, plan.names_in(planned, run))
            continue
        status = FAILED if run in sentences else MISSING
        yield Row(status, sentences.get(run, ""), planned.digest, None, ())


def _counted(rows: Iterator[Row], merged: Merged, table: _Table) -> Iterator[Row]:
    counted: set[str] = set()
    for run, row in enumerate(rows):
        table.write(run, row)
        merged.done += row.status == DONE
        merged.failed += row.status == FAILED
        merged.missing += row.status == MISSING
        if row.numbers is not None and row.task not in counted:
            counted.add(row.task)
            merged.rays += row.numbers.rays
            merged.lost_rays += row.numbers.lost_rays
            merged.versions.add(row.numbers.raysim_version)
        yield row


def _columns(study: Study) -> Group:
    runs = range(study.runs)
    columns: Group = {
        "run": Variable(("run",), np.arange(study.runs), "1", "number of the run"),
        "point": Variable(
            ("run",), np.array([run // len(study.seeds) for run in runs]), "1", "design point"
        ),
        "seed": Variable(
            ("run",), np.array([study.seed_of(run) for run in runs]), "1", "seed of the rays"
        ),
    }
    for position, factor in enumerate(study.factors):
        values = [study.point_of(run)[position] for run in runs]
        columns[factor.name] = _column(factor, values)
    return columns


def is_numeric(factor: Factor, values: Sequence[Any]) -> bool:
    """Whether a factor's column is of numbers: all its values are, and no label says otherwise."""
    plain = all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)
    return plain and list(factor.labels) == [shown(value) for value in factor.values]


def _column(factor: Factor, values: Sequence[Any]) -> Variable:
    said = f"value of {', '.join('.'.join(path) for path in factor.paths)}"
    if is_numeric(factor, values):
        return Variable(("run",), np.array(values, dtype=np.float64), "1", said)
    return Variable(("run",), words([factor.label_of(value) for value in values]), "1", said)


def _axes(study: Study) -> Group:
    scene = study.scene
    return {
        "variant": word_axis("variant", study.variants, "variant of the room"),
        "source": word_axis("source", [s.name for s in scene.sources], "source"),
        "receiver": word_axis("receiver", [r.name for r in scene.receivers], "receiver"),
        **band_axis(scene),
    }


def _attributes(study: Study) -> dict[str, Any]:
    return {
        "kind": KIND,
        "format_version": FORMAT_VERSION,
        "raysim_version": __version__,
        "title": study.title,
        "design": study.kind,
    }


def _texts(study: Study) -> dict[str, tuple[str, str]]:
    return {
        "study_toml": (study.text, "the study file as read"),
        "scene_toml": (study.scene.text, "the scene file as read"),
    }


class _Table:
    """The CSV: one line a run, variant, source, receiver and band."""

    def __init__(self, file: Any, study: Study) -> None:
        self._study = study
        self._writer = csv.writer(file, lineterminator="\n")
        errors = [f"{key}{end}" for key in QUANTITY_LABELS for end in ("", "_standard_error")]
        names = [factor.name for factor in study.factors]
        places = ["variant", "source", "receiver", "band_hz"]
        self._writer.writerow(["run", "seed", *names, "status", *places, *errors])

    def write(self, run: int, row: Row) -> None:
        """The lines of a run; one without numbers has one line."""
        study = self._study
        labels = [
            factor.label_of(value)
            for factor, value in zip(study.factors, study.point_of(run), strict=True)
        ]
        start = [run, study.seed_of(run), *labels, row.status]
        numbers = row.numbers
        if numbers is None:
            self._writer.writerow(start)
            return
        rows = [numbers.quantities.index(key) for key in QUANTITY_LABELS]
        own = [numbers.variants.index(name) for name in row.names]
        pairs = np.stack([numbers.value[rows], numbers.standard_error[rows]])[:, :, own]
        for variant, source, receiver, band in np.ndindex(pairs.shape[2:]):
            place = [
                study.variants[variant],
                numbers.sources[source],
                numbers.receivers[receiver],
                f"{numbers.bands_hz[band]:g}",
            ]
            cells = pairs[:, :, variant, source, receiver, band].T.ravel().tolist()
            texts = ["" if cell != cell else repr(cell) for cell in cells]
            self._writer.writerow([*start, *place, *texts])
