"""The report: one page that needs nothing else, its pictures as PNG, its tables as CSV."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from importlib import resources
from pathlib import Path

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from raysim.bands import band_name
from raysim.errors import ResultError
from raysim.estimate import Estimate
from raysim.quantities import evaluate_all
from raysim.report import elevations, loudspeakers, tables, words
from raysim.report.listed import Listed, list_reflections
from raysim.report.pictures import Picture, Pictures, draw_all
from raysim.results.data import Result

VARIANT, RECEIVER = 0, 0
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


def write_report(result: Result, folder: str | os.PathLike[str]) -> list[Path]:
    """Write report.html, its pictures (PNG) and tables (CSV) into `folder`.

    The folder is made if it does not exist. Every file appears whole or not at all: all are
    written beside it first and renamed when complete. The page is about the first receiver; the
    CSVs hold all.

    Parameters
    ----------
    result : Result
    folder : path

    Returns
    -------
    list of Path
        report.html first.

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
        files = compose(result)
        return _put(files, waiting, target)
    except OSError as problem:
        raise _unwritable(target, problem) from problem
    finally:
        shutil.rmtree(waiting, ignore_errors=True)


def compose(result: Result) -> dict[str, bytes]:
    """Contents of all files of the report by name, report.html first."""
    estimates = evaluate_all(result)
    listed = list_reflections(result, VARIANT, RECEIVER)
    pictures = draw_all(result, listed, estimates, VARIANT, RECEIVER)
    page = _page(result, estimates, listed, pictures)
    return {
        "report.html": page.encode("utf-8"),
        "quantities.csv": tables.quantities_csv(result, estimates).encode("utf-8"),
        "reflections.csv": tables.reflections_csv(result, listed).encode("utf-8"),
        **pictures.files,
    }


def _page(
    result: Result, estimates: dict[str, Estimate], listed: list[Listed], pictures: Pictures
) -> str:
    scene = result.scene
    sources = resources.files("raysim.report")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.globals["picture"] = _embedded
    template = environment.from_string((sources / "page.html.jinja").read_text("utf-8"))
    intro, note = words.plausibility(result, VARIANT)
    return template.render(
        css=Markup((sources / "page.css").read_text("utf-8")),
        title=scene.title,
        facts=words.facts(result),
        seat=scene.receivers[RECEIVER].name,
        summary=words.summary(result, listed, VARIANT, RECEIVER),
        plan=pictures.plan,
        section=pictures.section,
        early={
            "intro": words.early_intro(result),
            "pictures": pictures.early,
            "rows": tables.reflection_rows(scene, listed),
            "notes": _early_notes(result, listed),
        },
        surfaces=pictures.surfaces,
        quantities={
            "intro": words.quantities_intro(result),
            "pictures": pictures.quantities,
            "tables": tables.quantity_tables(result, estimates, VARIANT, RECEIVER),
            "terms": words.terms(),
            "notes": words.quantity_notes(result, estimates, VARIANT),
        },
        decay={"pictures": pictures.decay, "source": DECAY_CURVE_SOURCE},
        energy={"pictures": pictures.energy},
        bin_ms=f"{1e3 * result.bin_s:g}",
        plausibility={
            "intro": intro,
            "note": note,
            "heads": PLAUSIBILITY_HEADS,
            "rows": tables.plausibility_rows(scene),
        },
        materials={
            "bands": [band_name(f) for f in scene.bands_hz],
            "rows": tables.material_rows(scene),
        },
        loudspeakers={
            "pictures": pictures.loudspeakers,
            "bands": [band_name(f) for f in scene.bands_hz],
            "rows": loudspeakers.index_rows(scene),
        },
        warnings=scene.warnings,
        notes=scene.notes,
        limits=words.limits(result, VARIANT),
        provenance=words.provenance(result),
    )


def _early_notes(result: Result, listed: list[Listed]) -> list[str]:
    here = [p for p in result.reflections if (p.variant, p.receiver) == (VARIANT, RECEIVER)]
    total = sum(p.order > 0 for p in here)
    notes = [
        f"Listed are {len(listed)} of {total} mirror reflections off at most "
        f"{result.image_order} surface{'' if result.image_order == 1 else 's'}; all are in "
        "reflections.csv. Near neighbours on one surface are listed once, the strongest."
    ]
    blocked = [
        source.name
        for s, source in enumerate(result.scene.sources)
        if not any(p.order == 0 and p.source == s for p in here)
    ]
    if blocked:
        notes.append(
            f"The straight line from {', '.join(blocked)} to "
            f"{result.scene.receivers[RECEIVER].name} is blocked; times and levels are re the "
            "direct sound as it would be without the obstacle."
        )
    curved = elevations.curved_surfaces(result.scene, [one.numbered for one in listed])
    if curved:
        notes.append(f"Curved, so not unfolded below: {', '.join(curved)}.")
    return notes


def _embedded(picture: Picture) -> Markup:
    """Return the picture as a figure with its file inside."""
    caption = (
        Markup("<figcaption>{}</figcaption>").format(picture.caption) if picture.caption else ""
    )
    return Markup(
        '<figure style="width:{}px"><img src="{}" alt="{}" width="{}" height="{}">{}</figure>'
    ).format(
        picture.width_px, picture.uri, picture.alt, picture.width_px, picture.height_px, caption
    )


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
