"""The report: one page that needs nothing else, its pictures as PNG, its tables as CSV."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from raysim.bands import band_name
from raysim.errors import ResultError
from raysim.estimate import Estimate
from raysim.quantities import compare_variants, evaluate_all, side_of
from raysim.report import comparing, loudspeakers, tables, words
from raysim.report.bass import BassSection, bass_section
from raysim.report.covering import Covering, covering
from raysim.report.falling import Falling, falling
from raysim.report.first_words import first_words
from raysim.report.hand_checks import hand_checks
from raysim.report.hanging import HangingSection, hanging_section
from raysim.report.limits import limits
from raysim.report.pictures import Picture, draw_loudspeakers
from raysim.report.room_page import FILE as ROOM_FILE
from raysim.report.room_page import compose_room
from raysim.report.safety import Safety, safety
from raysim.report.seats import Seat, describe
from raysim.report.templates import render, text_file
from raysim.report.unknown_words import unknown_words
from raysim.report.where_next import WhereNext, where_next
from raysim.results.data import Result

VARIANT = 0
DECAY_CURVE_SOURCE = "Schroeder 1965; ISO 3382-1, 5.3.3"
PLAUSIBILITY_HEADS = (
    ("mean absorption", "1"),
    ("Sabine", "s"),
    ("Eyring", "s"),
    ("input range", "%"),
    ("critical distance", "m"),
)
_REASONS = {
    errno.ENOSPC: "the disk is full; free some space",
    errno.EDQUOT: "the disk quota is used up; free some space",
    errno.EACCES: "it may not be written to; choose another folder",
    errno.EPERM: "it may not be written to; choose another folder",
    errno.EROFS: "the disk is read-only; choose another folder",
    errno.ENOENT: "the folder above it does not exist; create it or choose another",
    errno.ENOTDIR: "a part of this path is a file; choose another folder",
    errno.EEXIST: "a file has that name; choose another folder",
}


def write_report(
    result: Result, folder: str | os.PathLike[str], tones_hz: Sequence[float] = ()
) -> list[Path]:
    """Write report.html, its pictures (PNG) and tables (CSV) into `folder`.

    The folder is made if it does not exist. Every file appears whole or not at all: all are
    written beside it first and renamed when complete. The page shows up to four receivers, of
    more the first and a table of all; the CSVs hold all.

    Parameters
    ----------
    result : Result
    folder : path
    tones_hz : sequence of float
        Frequencies at which the bass is mapped besides those of modes.

    Returns
    -------
    list of Path
        report.html first.

    Raises
    ------
    ResultError
        If the folder cannot be written, saying why.
    SettingsError
        A tone that the bass of the result doesn't reach.
    """
    return write_folder(lambda: compose(result, tones_hz), folder)


def write_folder(
    compose_files: Callable[[], dict[str, bytes]], folder: str | os.PathLike[str]
) -> list[Path]:
    """Write what `compose_files` gives by name into `folder`, each file whole or not at all.

    Raises
    ------
    ResultError
        If the folder cannot be written, saying why.
    """
    target = Path(folder)
    try:
        if target.exists() and not target.is_dir():
            raise FileExistsError(errno.EEXIST, "not a folder")
        # In the folder itself where it exists: its parent need not be writable.
        place = target if target.is_dir() else target.resolve().parent
        waiting = Path(tempfile.mkdtemp(prefix=".raysim-report-", dir=place))
    except OSError as problem:
        raise _unwritable(target, problem) from problem
    try:
        return _put(compose_files(), waiting, target)
    except OSError as problem:
        raise _unwritable(target, problem) from problem
    finally:
        shutil.rmtree(waiting, ignore_errors=True)


@dataclass(frozen=True)
class _Parts:
    """What the page is made of."""

    first: Result
    estimates: dict[str, Estimate]
    seats: list[Seat]
    cabinets: list[Picture]
    metre: WhereNext | None
    covers: Covering | None
    falls: Falling | None
    bass: BassSection | None
    hangs: HangingSection | None
    safe: Safety | None


def compose(result: Result, tones_hz: Sequence[float] = ()) -> dict[str, bytes]:
    """Contents of all files of the report by name, report.html first."""
    estimates = evaluate_all(result)
    first = _first(result)
    seats = describe(first, estimates, VARIANT)
    files: dict[str, bytes] = {}
    for seat in seats:
        files |= seat.pictures.files
    parts = _Parts(
        first,
        estimates,
        seats,
        draw_loudspeakers(first.scene, files),
        where_next(result),
        covering(result),
        falling(result),
        bass_section(result, first, tones_hz),
        hanging_section(result),
        safety(result),
    )
    for section in (parts.metre, parts.covers, parts.falls, parts.bass, parts.hangs, parts.safe):
        files |= section.files if section else {}
    room = compose_room(result)
    if room is not None:
        files[ROOM_FILE] = room.encode("utf-8")
    listed = [one for seat in seats for one in seat.listed]
    return {
        "report.html": _page(result, parts).encode("utf-8"),
        "quantities.csv": tables.quantities_csv(result, estimates).encode("utf-8"),
        "reflections.csv": tables.reflections_csv(result, listed).encode("utf-8"),
        **files,
    }


def _first(result: Result) -> Result:
    """The first variant alone, in its own room: what the page shows in full."""
    side = side_of(result, result.variants[VARIANT])
    return replace(side.result, scene=side.scene, maps=result.maps)


def _page(result: Result, parts: _Parts) -> str:
    scene = parts.first.scene
    return render(
        "page",
        css=text_file("page.css"),
        bands=[band_name(f) for f in scene.bands_hz],
        bin_ms=f"{1e3 * result.bin_s:g}",
        decay_source=DECAY_CURVE_SOURCE,
        receivers=len(scene.receivers),
        title=scene.title,
        warnings=scene.warnings,
        notes=scene.notes,
        **_sections(parts),
        **_words(result, parts),
        **_tables(parts),
    )


def _sections(parts: _Parts) -> dict[str, object]:
    return {
        "seats": parts.seats,
        "metre": parts.metre,
        "covers": parts.covers,
        "falls": parts.falls,
        "bass": parts.bass.html if parts.bass else "",
        "hanging": parts.hangs.html if parts.hangs else "",
        "safety": parts.safe.html if parts.safe else "",
    }


def _words(result: Result, parts: _Parts) -> dict[str, object]:
    first, seat = parts.first, parts.seats[0]
    compared = compare_variants(result) if len(result.variants) > 1 else []
    return {
        "facts": words.facts(first),
        "first_words": first_words(result, seat.listed, compared),
        "hand_checks": hand_checks(first, seat.listed),
        "variants": {
            "first": first.variants[VARIANT],
            "others": [comparing.overview(one) for one in compared],
        },
        "summary": words.summary(first, seat.worst, VARIANT),
        "early_intro": words.early_intro(first),
        "quantities_intro": words.quantities_intro(first),
        "terms": words.terms(),
        "quantity_notes": words.quantity_notes(first, parts.estimates, VARIANT),
        "unknowns": unknown_words(first.scene),
        "limits": limits(first, VARIANT),
        "provenance": words.provenance(result),
    }


def _tables(parts: _Parts) -> dict[str, object]:
    first = parts.first
    scene, variant = first.scene, first.variants[VARIANT]
    intro, note = words.plausibility(first, VARIANT)
    return {
        "positions": tables.position_tables(first, parts.estimates, VARIANT),
        "plausibility": {
            "intro": intro,
            "note": note,
            "heads": PLAUSIBILITY_HEADS,
            "rows": tables.plausibility_rows(scene, variant),
        },
        "materials": tables.material_rows(scene, variant),
        "loudspeakers": {"pictures": parts.cabinets, "rows": loudspeakers.index_rows(scene)},
    }


def _put(files: dict[str, bytes], waiting: Path, target: Path) -> list[Path]:
    for name, content in files.items():
        with open(waiting / name, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    target.mkdir(exist_ok=True)
    for name in files:
        os.replace(waiting / name, target / name)
    return [target / name for name in files]


def _unwritable(target: Path, problem: OSError) -> ResultError:
    reason = _REASONS.get(problem.errno or 0, f"it cannot be written ({problem.strerror})")
    return ResultError(f"{target}: the report was not written: {reason}")
