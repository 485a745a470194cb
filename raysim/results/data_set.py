"""The merged data of a study: one HDF5 file over all runs (docs/formats/study.md).

Written in blocks of runs, so that memory does not grow with their number.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from raysim.errors import ResultError
from raysim.results.layout import POSITIONS, QUANTITY_LABELS, Group, Variable, word_axis, words
from raysim.results.run_numbers import RunNumbers
from raysim.results.store import write_group

KIND = "raysim study"
FORMAT_VERSION = 1
RUNS_A_BLOCK = 64
DONE, FAILED, MISSING = "done", "failed", "missing"
NEW_REASON = "reason_text"


@dataclass(frozen=True)
class Row:
    """What is known of one run.

    Attributes
    ----------
    status : str
        'done', 'failed' or 'missing'.
    sentence : str
        Why it failed.
    task : str
        Digest.
    numbers : RunNumbers or None
        Of its task, which may hold other runs as well.
    names : sequence of str
        Of the study's variants in `numbers`.
    """

    status: str
    sentence: str
    task: str
    numbers: RunNumbers | None
    names: Sequence[str]


def write_data_set(
    path: Path,
    rows: Iterable[Row],
    columns: Group,
    axes: Group,
    attributes: Mapping[str, Any],
    texts: Mapping[str, tuple[str, str]],
) -> None:
    """Write the data set under `path`, which is not renamed here.

    Parameters
    ----------
    rows : iterable of Row
        In the order of the runs.
    columns : Group
        Variables over 'run': the axis itself, seeds, factors.
    axes : Group
        variant, source, receiver, band.
    attributes : mapping
        Of the file.
    texts : mapping of str to (text, long name)
        Whole files, which may be too long for an attribute.
    """
    with h5py.File(path, "w") as file:
        file.attrs.update(attributes)
        file.attrs["coordinates"] = " ".join(name for name in columns if name != "run")
        write_group(file, columns | axes)
        for name, (text, said) in texts.items():
            write_group(file, {name: Variable((), np.array(text, dtype=object), "1", said)})
        _Writer(file, columns["run"].data.size, axes).write(rows)


class _Writer:
    """The variables that runs fill, block by block."""

    def __init__(self, file: Any, runs: int, axes: Group) -> None:
        self._file, self._axes = file, axes
        self._reasons: dict[str, int] = {"": 0}
        places = ("run", *POSITIONS)
        for key, (unit, long_name) in QUANTITY_LABELS.items():
            self._create(key, places, runs, "f8", unit, long_name)
            said = f"standard error of the {long_name}"
            self._create(f"{key}_standard_error", places, runs, "f8", unit, said)
            said = f"index into {NEW_REASON}: why the {long_name} is undefined; 0 where defined"
            self._create(f"{key}_reason", places, runs, "i2", "1", said)
        per_variant = ("run", "variant")
        self._create("volume", per_variant, runs, "f8", "m3", "volume of the room")
        self._create("schroeder_frequency", per_variant, runs, "f8", "Hz", "Schroeder frequency")
        self._create("rays", ("run",), runs, "i8", "1", "rays a source")
        self._create("lost_rays", ("run",), runs, "i8", "1", "rays that left through a gap")
        text = h5py.string_dtype("utf-8")
        self._create("status", ("run",), runs, text, "1", "done, failed or missing")
        self._create("sentence", ("run",), runs, text, "1", "why it failed")
        self._create("task", ("run",), runs, text, "1", "digest of the task that computed it")
        cost = file.create_group("cost")
        write_group(cost, {"run": Variable(("run",), np.arange(runs), "1", "number of the run")})
        self._create("cost/seconds", ("run",), runs, "f8", "s", "wall clock of its task")

    def _create(
        self, name: str, dims: tuple[str, ...], runs: int, kind: Any, unit: str, long_name: str
    ) -> None:
        shape = (runs, *(self._axes[axis].data.size for axis in dims[1:]))
        chunks = (min(RUNS_A_BLOCK, runs), *shape[1:])
        options: dict[str, Any] = {"chunks": chunks, "fletcher32": kind in ("f8", "i2", "i8")}
        if kind in ("f8", "i2"):
            options |= {"compression": "gzip", "compression_opts": 1, "shuffle": True}
        if kind == "f8":
            options["fillvalue"] = np.nan
        dataset = self._file.create_dataset(name, shape, kind, **options)
        dataset.attrs["long_name"], dataset.attrs["units"] = long_name, unit
        group = self._file[name.rpartition("/")[0] or "/"]
        for position, axis in enumerate(dims):
            dataset.dims[position].attach_scale(group[axis])

    def write(self, rows: Iterable[Row]) -> None:
        """All rows, then the reasons that they gave."""
        block: list[Row] = []
        first = 0
        for row in rows:
            block.append(row)
            if len(block) == RUNS_A_BLOCK:
                self._put(first, block)
                first, block = first + len(block), []
        if block:
            self._put(first, block)
        said = word_axis(NEW_REASON, list(self._reasons), "why a quantity is undefined")
        write_group(self._file, {NEW_REASON: said})

    def _put(self, first: int, block: Sequence[Row]) -> None:
        runs = slice(first, first + len(block))
        file = self._file
        for name in ("status", "sentence", "task"):
            file[name][runs] = words([getattr(row, name) for row in block])
        known = [(k, row.numbers, row.names) for k, row in enumerate(block) if row.numbers]
        places = (len(block), *(self._axes[axis].data.size for axis in POSITIONS))
        of_run = {
            "rays": np.zeros(len(block), np.int64),
            "lost_rays": np.zeros(len(block), np.int64),
            "cost/seconds": np.full(len(block), np.nan),
        }
        of_variant = {
            name: np.full(places[:2], np.nan) for name in ("volume", "schroeder_frequency")
        }
        value, error = np.full((2, len(QUANTITY_LABELS), *places), np.nan)
        reason = np.zeros(value.shape, np.int16)
        for k, numbers, names in known:
            own = [numbers.variants.index(name) for name in names]
            rows = [numbers.quantities.index(key) for key in QUANTITY_LABELS]
            value[:, k] = numbers.value[rows][:, own]
            error[:, k] = numbers.standard_error[rows][:, own]
            codes = np.array([self._code(text) for text in numbers.reasons], np.int16)
            reason[:, k] = codes[numbers.reason[rows][:, own]]
            of_variant["volume"][k] = numbers.volume_m3[own]
            of_variant["schroeder_frequency"][k] = numbers.schroeder_hz[own]
            of_run["rays"][k], of_run["lost_rays"][k] = numbers.rays, numbers.lost_rays
            of_run["cost/seconds"][k] = numbers.seconds
        for name, data in (of_run | of_variant).items():
            file[name][runs] = data
        for position, key in enumerate(QUANTITY_LABELS):
            file[key][runs] = value[position]
            file[f"{key}_standard_error"][runs] = error[position]
            file[f"{key}_reason"][runs] = reason[position]

    def _code(self, text: str) -> int:
        return self._reasons.setdefault(text, len(self._reasons))


def read_quantity(path: Path, key: str, band: int) -> NDArray[np.float64]:
    """Values of a quantity in one band, (run, variant, source, receiver).

    Raises
    ------
    ResultError
        The file isn't there, or is damaged.
    """
    try:
        with h5py.File(path, "r") as file:
            return np.asarray(file[key][..., band])
    except (OSError, KeyError) as error:
        raise ResultError(f"{path}: cannot be read; run the study again, it merges anew") from error


def read_error(path: Path, key: str) -> NDArray[np.float64]:
    """Relative standard errors of a quantity, (run, variant, source, receiver, band)."""
    with h5py.File(path, "r") as file:
        return np.asarray(np.abs(file[f"{key}_standard_error"][...] / file[key][...]))
