"""Directivity from a text table by angle and band (docs/formats/directivity.md)."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from os import PathLike
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from raysim.bands import OCTAVE_LABELS_HZ
from raysim.errors import SceneError
from raysim.loudspeakers.around import merged, spread
from raysim.loudspeakers.directivity import Directivity, directions

Array = NDArray[np.float64]

ANGLES = ("azimuth_deg", "elevation_deg")
LIMITS = ((-360.0, 360.0), (-90.0, 90.0))
LEVEL_LIMITS_DB = (-100.0, 40.0)
AXIS_WITHIN_DB = 0.05
POLE_DEG = 89.9
MOST_COMPLAINTS = 5
LARGEST_FILE_BYTES = 50_000_000
_LEVEL = re.compile(r"level_([0-9.]+)hz_db")


def read_table(path: str | PathLike[str], bands_hz: Sequence[float]) -> Directivity:
    """Read levels re the axis from a comma-separated table.

    Parameters
    ----------
    path : path
        Columns azimuth_deg, elevation_deg and level_125hz_db and so on, one row a direction.
    bands_hz : sequence of float
        Nominal octave labels wanted; further ones in the file are left out.

    Raises
    ------
    SceneError
        All that is wrong with the file, one sentence each.
    """
    lines = _lines(path)
    columns = _columns(path, lines, bands_hz)
    rows, numbers = _rows(path, lines, columns)
    points = directions(rows[:, 0], rows[:, 1])
    _refuse_repeats(path, rows, numbers)
    level = rows[:, 2:]
    at = np.flatnonzero(points[:, 0] > 1 - 1e-9)
    if not len(at):
        raise SceneError(f"{path}: there is no row for azimuth 0, elevation 0; levels are re that")
    worst = int(np.abs(level[at[0]]).argmax())
    if abs(level[at[0], worst]) > AXIS_WITHIN_DB:
        raise SceneError(
            f"{path} line {numbers[at[0]]}: level {level[at[0], worst]:g} dB on the axis; "
            "give every level re the axis, where it is 0"
        )
    points, energy, apart = merged(points, 10 ** (level / 10))
    if apart > AXIS_WITHIN_DB:
        raise SceneError(
            f"{path}: rows of one direction (straight up or down, any azimuth) differ by "
            f"{apart:.1f} dB; give one row for each direction"
        )
    try:
        table = spread(points, energy)
    except ValueError as error:
        raise SceneError(f"{path}: {error}") from None
    return Directivity(table, f"table '{Path(path).name}', {len(points)} directions")


def _lines(path: str | PathLike[str]) -> list[list[str]]:
    try:
        if Path(path).stat().st_size > LARGEST_FILE_BYTES:
            raise SceneError(
                f"{path}: it is larger than 50 MB; a directivity table is a short text"
            )
        text = Path(path).read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise SceneError(f"{path}: it is not UTF-8 text; save the table as CSV, UTF-8") from None
    except OSError as error:
        raise SceneError(f"{path}: it cannot be read ({error.strerror}); check the name") from None
    try:
        return list(csv.reader(text.splitlines()))
    except csv.Error as error:
        raise SceneError(f"{path}: it is not comma-separated text ({error})") from None


def _columns(
    path: str | PathLike[str], lines: list[list[str]], bands_hz: Sequence[float]
) -> list[int]:
    """Positions of the two angles and of the wanted bands."""
    head = [cell.strip().lower() for cell in lines[0]] if lines else []
    example = "azimuth_deg, elevation_deg, level_125hz_db, level_250hz_db, ..."
    found: list[str] = []
    if head[:2] != list(ANGLES):
        hint = "; separate columns by commas" if len(head) == 1 and ";" in head[0] else ""
        raise SceneError(f"{path} line 1: it must begin with {example}{hint}")
    at: dict[float, int] = {}
    for k, name in enumerate(head[2:], start=2):
        match = _LEVEL.fullmatch(name)
        band = float(match[1]) if match and match[1].count(".") <= 1 else None
        if band not in OCTAVE_LABELS_HZ:
            found.append(
                f"{path} line 1: column '{name}' is not an octave band; give level_125hz_db and so "
                "on"
            )
        elif band in at:
            found.append(f"{path} line 1: column '{name}' stands twice; give each band once")
        else:
            at[band] = k
    missing = [f"{band:g}" for band in bands_hz if band not in at]
    if missing:
        found.append(
            f"{path} line 1: no column for {', '.join(missing)} Hz; the scene's bands are "
            f"{', '.join(f'{band:g}' for band in bands_hz)} Hz: add them, or set 'bands' to fewer"
        )
    if found:
        raise SceneError(found)
    return [0, 1, *(at[band] for band in bands_hz)]


def _rows(
    path: str | PathLike[str], lines: list[list[str]], columns: list[int]
) -> tuple[Array, list[int]]:
    """Numbers of the wanted columns, (rows, 2 + bands), and each row's line."""
    rows, numbers, found = [], [], []
    limits = (*LIMITS, *((LEVEL_LIMITS_DB,) * (len(columns) - 2)))
    for number, line in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in line):
            continue
        where = f"{path} line {number}"
        if len(line) != len(lines[0]):
            found.append(f"{where}: {len(line)} values for {len(lines[0])} columns")
            continue
        row = []
        for k, (low, high) in zip(columns, limits, strict=True):
            name, cell = lines[0][k].strip(), line[k].strip()
            try:
                value = float(cell)
            except ValueError:
                found.append(f"{where}: {name} '{cell}' is not a number; write one, as -3.5")
                break
            if not low <= value <= high:
                found.append(f"{where}: {name} {cell} is outside {low:g} to {high:g}")
                break
            row.append(value)
        else:
            rows.append(row)
            numbers.append(number)
    if not rows and not found:
        found.append(f"{path}: it has no rows; give one for each direction")
    if found:
        more = len(found) - MOST_COMPLAINTS
        rest = [f"{path}: {more} more lines are wrong"] if more > 0 else []
        raise SceneError([*found[:MOST_COMPLAINTS], *rest])
    return np.array(rows), numbers


def _refuse_repeats(path: str | PathLike[str], rows: Array, numbers: list[int]) -> None:
    """Complain of a direction that stands twice; straight up and down may, at any azimuth."""
    seen: dict[tuple[float, float], int] = {}
    for (azimuth, elevation), number in zip(rows[:, :2], numbers, strict=True):
        if abs(elevation) > POLE_DEG:
            continue
        key = (round(azimuth % 360.0, 3) % 360.0, round(elevation, 3))
        if key in seen:
            raise SceneError(
                f"{path} line {number}: azimuth {azimuth:g}, elevation {elevation:g} stands in "
                f"line {seen[key]} already; give each direction once"
            )
        seen[key] = number
