"""The section 'Where the next square metre belongs': maps, the best places, all places as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raysim import digits
from raysim.bands import band_name
from raysim.quantities.places import (
    SURE,
    Places,
    best_places,
    find_places,
    map_bands,
    mean_slopes,
)
from raysim.quantities.reflections import place_on
from raysim.report import style
from raysim.report.listed import facet_name, in_words
from raysim.report.maps import draw_map, walls_that_matter
from raysim.report.pictures import Picture, picture_of
from raysim.report.shading import PRINTED, TITLES, known_values, slope_shading
from raysim.results.data import Result
from raysim.theory.criteria import REFLECTION_WINDOW_S

FILES = ("map_early_level.png", "map_t20.png")


@dataclass(frozen=True)
class WhereNext:
    """What the page shows; `files` are PNG and CSV by name."""

    intro: str
    pictures: list[Picture]
    rows: list[dict[str, object]]
    notes: list[str]
    files: dict[str, bytes]


def where_next(result: Result) -> WhereNext | None:
    """The section, or None for a result without maps or with no band that rays describe."""
    bands = map_bands(result)
    if result.maps is None or not bands:
        return None
    slopes, places = mean_slopes(result), find_places(result)
    chosen = best_places(result, places)
    walls = walls_that_matter(result.scene_in(0), places)
    files = {"places.csv": places_csv(result, places, chosen).encode("utf-8")}
    pictures = []
    if walls:
        with style.drawing():
            for quantity, name in enumerate(FILES):
                if not np.isfinite(places.slopes.value[:, quantity]).any():
                    continue
                shading = slope_shading(slopes, quantity, known_values(places.slopes, quantity))
                figure = draw_map(result, shading, walls, places, chosen)
                files[name] = style.png(figure)
                alt = f"Walls unfolded: change of {TITLES[quantity]} for a square metre more"
                pictures.append(picture_of(figure, alt))
    return WhereNext(
        intro=_intro(result, bands),
        pictures=pictures,
        rows=[_row(result, places, number, i) for number, i in enumerate(chosen, start=1)],
        notes=_notes(result),
        files=files,
    )


def places_csv(result: Result, places: Places, chosen: Sequence[int]) -> str:
    """Every place, SI units; `number` is that of the page where it is among the best."""
    scene = result.scene_in(0)
    numbers = {index: number for number, index in enumerate(chosen, start=1)}
    buffer = io.StringIO()
    rows = csv.writer(buffer, lineterminator="\n")
    rows.writerow(
        "number surface facet low_u_m low_v_m high_u_m high_v_m x_m y_m z_m early_level_db_per_m2 "
        "early_level_standard_error t20_s_per_m2 t20_standard_error noticeable_steps_per_m2 "
        "noticeable_steps_standard_error".split()
    )
    for i, (rect, value, error) in enumerate(
        zip(places.rect, places.slopes.value, places.slopes.error, strict=True)
    ):
        facet = scene.facets[places.facet[i]]
        middle = (rect[:2] + rect[2:]) / 2
        point = facet.origin + middle[0] * facet.u + middle[1] * facet.v
        numbered = [value[0], error[0], value[1], error[1], places.steps[i], places.steps_error[i]]
        rows.writerow(
            [
                numbers.get(i, ""),
                scene.surfaces[facet.surface].name,
                facet.name,
                *(f"{x:.4f}" for x in [*rect, *point]),
                *(f"{x:.6g}" if np.isfinite(x) else "" for x in numbered),
            ]
        )
    return buffer.getvalue()


def _row(result: Result, places: Places, number: int, index: int) -> dict[str, object]:
    scene = result.scene_in(0)
    at = int(places.facet[index])
    facet, rect = scene.facets[at], places.rect[index]
    middle = (rect[:2] + rect[2:]) / 2
    point = facet.origin + middle[0] * facet.u + middle[1] * facet.v
    cells = []
    for quantity, (factor, _) in enumerate(PRINTED):
        value = float(places.slopes.value[index, quantity]) * factor
        error = float(places.slopes.error[index, quantity]) * factor
        if not np.isfinite(value):
            cells.append(("–", ""))
        elif value == 0 and error == 0:
            cells.append(("no ray met it", ""))
        elif error <= abs(value) * 1e-9:
            cells.append((digits.tidy(value, 2), "0"))
        else:
            cells.append(digits.rounded(value, error))
    gain = digits.rounded(float(places.steps[index]), float(places.steps_error[index]))
    return {
        "number": number,
        "surface": facet_name(scene, at),
        "place": in_words(scene, at, place_on(scene, facet, point), point),
        "cells": [*cells, gain],
    }


def _intro(result: Result, bands: list[int]) -> str:
    labels = [band_name(result.scene.bands_hz[b]) for b in bands]
    span = labels[0] if len(labels) == 1 else f"{labels[0]} to {labels[-1]}"
    return (
        f"What a square metre of perfect absorber more, spread over each place, would change in "
        f"“{result.variants[0]}”: the level of the reflections within "
        f"{1e3 * REFLECTION_WINDOW_S:g} ms after the direct sound, and T20. Means over the bands "
        f"{span}, over the sources and over the receivers. Numbered squares of about 60 cm are the "
        "best places, in the order of the table."
    )


def _notes(result: Result) -> list[str]:
    notes = [
        "A shade is drawn no finer than its error allows: neighbours are taken together until it "
        f"is at most 1/{SURE:g} of the value or of a step of the scale. Single dark squares are "
        "where exact mirror paths to the middle of the head zone meet the wall.",
        "These are slopes, true for small changes. For a whole panel T20 falls by less than area "
        "times slope, in a bare room by up to a third less; the early level may fall by more; and "
        "it moves the other places. Compute it as a variant before buying.",
        "Gain counts both changes in steps that a listener notices (early level 1 dB, T20 5 %; "
        "ISO 3382-1:2009, table A.1, taken over to small rooms), less as gain. Whether a shorter "
        "T20 is wanted the guide above tells. The order is by the gain less two standard errors.",
        "Left out are furniture, what overlaps a better place, and where a panel of 10 cm would "
        "reach into furniture or a keep-clear zone; doors, windows, vents and detectors are "
        "known as such only where the scene file has them under [keep_clear].",
        "places.csv has every place.",
    ]
    if any(t.is_object for t in result.scene.treatments):
        notes.insert(1, "Dashed: treatments that stand or hang close before the wall.")
    return notes
