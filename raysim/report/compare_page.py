"""The comparison: one page that needs nothing else, its pictures as PNG, its numbers as CSV."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from raysim.quantities.bass_modes import DECAY_SHARE
from raysim.quantities.comparison import Comparison
from raysim.quantities.seat_aims import trade_off
from raysim.report import bass_comparing, changes, comparing, style
from raysim.report.page import write_folder
from raysim.report.pictures import Picture, picture_of
from raysim.report.seat_by_seat import seat_by_seat
from raysim.report.templates import render, text_file
from raysim.report.treatments import draw_treated_plan

CAVEATS = (
    "The ± and the intervals are what the computation leaves open; what is not known of the "
    "materials widens an interval before the verdict is given (through Eyring's formula, a "
    "diffuse-field estimate), and so may ask to learn a material first.",
    "Reflections are judged by their mirror paths alone; sound that a diffuser spreads within the "
    "first 15 ms is not in that number.",
    "Noticeable steps were found with concert sound; a trained ear at a desk may notice less, a "
    "client more.",
)
NO_BASS = "Nothing here is about the bass below the Schroeder frequency: run with --bass."


def write_comparison(compared: Sequence[Comparison], folder: str | os.PathLike[str]) -> list[Path]:
    """Write compare.html, its pictures (PNG) and differences.csv into `folder`.

    Returns
    -------
    list of Path
        compare.html first.

    Raises
    ------
    ResultError
        If the folder cannot be written, saying why.
    """
    return write_folder(lambda: compose_comparison(compared), folder)


def compose_comparison(compared: Sequence[Comparison]) -> dict[str, bytes]:
    """Contents of all files by name, compare.html first."""
    files: dict[str, bytes] = {}
    rows = changes.draw_changes(compared, files)
    plans = _plans(compared, files)
    bass = bass_comparing.sections(compared, files)
    trade = trade_off(compared)
    seats = None if trade is None else seat_by_seat(trade)
    files |= seats.files if seats else {}
    before = compared[0].before
    page = render(
        "compare",
        css=text_file("page.css"),
        title=before.scene.title,
        before=before.name,
        overview=[comparing.overview(one) for one in compared],
        pictures=rows,
        seats=seats,
        plans=plans,
        comparisons=[_details(one) for one in compared],
        steps=comparing.steps_in_words(),
        bass=bass,
        bass_steps=bass_comparing.STEP_SOURCE,
        bass_share=f"{100 * DECAY_SHARE:g} %",
        caveats=(
            comparing.together_in_words(compared[0]),
            *CAVEATS,
            *(() if bass else (NO_BASS,)),
        ),
    )
    return {
        "compare.html": page.encode("utf-8"),
        "differences.csv": comparing.differences_csv(compared).encode("utf-8"),
        **files,
    }


def _details(one: Comparison) -> dict[str, object]:
    return {
        "name": one.after.name,
        "anchor": comparing.anchor(one.after.name),
        "rows": comparing.rows_of(one),
        "undefined": comparing.undefined(one),
        "error_note": comparing.error_note(one),
    }


def _plans(compared: Sequence[Comparison], files: dict[str, bytes]) -> list[Picture]:
    """Plan of every side that has treatments, before first."""
    sides = [compared[0].before, *(one.after for one in compared)]
    plans = []
    with style.drawing():
        for side in sides:
            scene = side.origin.scene
            variant = next((v for v in scene.variants if v.name == side.variant), None)
            if variant is None or not variant.treatments:
                continue
            figure = draw_treated_plan(scene, variant)
            files[f"plan_{comparing.anchor(side.name)}.png"] = style.png(figure)
            plans.append(picture_of(figure, f"Plan of the room with {side.name}", side.name))
    return plans
