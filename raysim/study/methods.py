"""The methods paragraph of a study: what was computed, how, and how precisely."""

from __future__ import annotations

import platform

import numpy as np

from raysim.errors import ResultError
from raysim.files import why_not_written, write_whole
from raysim.results.data_set import read_error
from raysim.scene.sizes import STATED_RANGE_M3
from raysim.settings import BATCHES
from raysim.solvers.late import RAYS_A_ROUND
from raysim.study.merge import Merged
from raysim.study.plan import Shelf
from raysim.study.read import Study
from raysim.study.tasks import engine
from raysim.units import counted

ROUND = BATCHES * RAYS_A_ROUND
REFERENCES = (
    "ISO 3382-1:2009, Acoustics: Measurement of room acoustic parameters, part 1.",
    "ISO 3382-2:2008, Acoustics: Measurement of room acoustic parameters, part 2.",
    "ISO 9613-1:1993, Acoustics: Attenuation of sound during propagation outdoors, part 1.",
)
OF_DESIGN = {
    "random": "Drawn independently and uniformly over their levels and ranges (seed {}).",
    "low-discrepancy": "Scrambled Sobol points over their levels and ranges (seed {}).",
}
OF_EFFECTS = (
    "Effects are main effects by ordinary least squares on means over sources and receivers, "
    "with seeds as blocks; intervals are 95 % for single effects, p values corrected by Holm's "
    "method over all effects listed."
)
HOLM = (
    "Holm, S. (1979), A simple sequentially rejective multiple test procedure, Scandinavian "
    "Journal of Statistics 6, 65-70."
)
SOBOL = (
    "Owen, A. B. (1998), Scrambling Sobol' and Niederreiter-Xing points, Journal of Complexity "
    "14, 466-489."
)


def methods_text(study: Study, shelf: Shelf, merged: Merged) -> str:
    """Markdown: a paragraph to paste, then the references and what it takes to repeat it."""
    references = [*REFERENCES]
    if study.kind == "low-discrepancy":
        references.append(SOBOL)
    if study.effects is not None:
        references.append(HOLM)
    listed = "\n".join(f"- {reference}" for reference in references)
    return f"""# Methods: {study.title}

{_room(study)} {_design(study)} {_precision(shelf, merged)} {_failures(merged)}
{OF_EFFECTS if study.effects is not None else ""}

References (from memory; check before you cite):

{listed}

{_to_repeat()}
"""


def _to_repeat() -> str:
    return (
        f"To repeat it: raysim {engine()}, Python {platform.python_version()}, NumPy "
        f"{np.__version__}; study and scene stand in `study.h5` as `study_toml` and "
        "`scene_toml`.\nThe same version gives the same bits with any number of workers and "
        "threads."
    )


def _room(study: Study) -> str:
    scene = study.scene
    bands = scene.bands_hz
    settings = study.settings
    until = (
        f"{ROUND * -(-settings.rays // ROUND):,} rays a source"
        if settings.rays is not None
        else f"a standard error of T20 of {settings.error_percent:g} %"
    )
    return (
        f"The sound field of the room ({scene.volume:.1f} m³ before changes; "
        f"{counted(len(scene.sources), 'source')}, {counted(len(scene.receivers), 'receiver')}) "
        f"was computed with raysim by exact image sources of low order and stochastic ray tracing "
        f"for all other paths, up to {until}, in octave bands of {bands[0]:g} to {bands[-1]:g} Hz, "
        f"with air absorption after ISO 9613-1 and quantities after ISO 3382-1 and -2. Below the "
        f"Schroeder frequency no quantity is given, and in rooms below {STATED_RANGE_M3[0]:g} m³ "
        "no decay time."
    )


def _design(study: Study) -> str:
    said = "; ".join(
        f"{factor.name} ({', '.join('.'.join(path) for path in factor.paths)}: "
        + (
            f"{factor.limits[0]:g} to {factor.limits[1]:g})"
            if factor.limits
            else f"{', '.join(factor.labels) or 'values listed'})"
        )
        for factor in study.factors
    )
    variants = f" of {len(study.variants)} variants" if len(study.variants) > 1 else ""
    text = (
        f"{counted(len(study.points), 'design point')} ({study.kind}){variants} "
        f"with {counted(len(study.seeds), 'seed')} ({', '.join(map(str, study.seeds[:10]))}"
        f"{', ...' if len(study.seeds) > 10 else ''}) make {study.runs} runs."
    )
    if said:
        text += f" Factors: {said}."
    if study.kind in OF_DESIGN:
        text += f" {OF_DESIGN[study.kind].format(study.design_seed)}"
    return text + " Runs of one seed share their random numbers."


def _precision(shelf: Shelf, merged: Merged) -> str:
    errors = read_error(shelf.data_path, "T20") if merged.done else np.array([np.nan])
    known = errors[np.isfinite(errors)]
    if not known.size:
        return "T20 is undefined throughout."
    return (
        f"The standard error of a single T20, by the jackknife over batches of rays, is "
        f"{100 * np.median(known):.2g} % (median; largest {100 * known.max():.2g} %); "
        f"{merged.rays:,} rays a source were traced in all and "
        f"{merged.lost_rays:,} lost."
    )


def _failures(merged: Merged) -> str:
    if not (merged.failed or merged.missing):
        return "No run failed."
    return f"{merged.failed} runs failed and {merged.missing} are missing; they are left out."


def write_methods(study: Study, shelf: Shelf, merged: Merged) -> None:
    """Write methods.md into the folder of a study.

    Raises
    ------
    ResultError
        The disk takes no more.
    """
    path = shelf.folder / "methods.md"
    try:
        write_whole(path, methods_text(study, shelf, merged).encode("utf-8"))
    except OSError as error:
        raise ResultError(why_not_written(path, error)) from None
