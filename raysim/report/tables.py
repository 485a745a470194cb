"""Tables of a report as rows of text, and the same numbers in full as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from raysim import digits
from raysim.bands import band_name
from raysim.estimate import Estimate
from raysim.quantities import QUANTITIES, average, diffuse_field
from raysim.quantities.plausibility import areas_of
from raysim.quantities.reflections import delay_tolerance_s, level_range_db, place_on
from raysim.report.listed import Listed, delay_ms, in_words, level_db, verdict
from raysim.results.data import Reflection, Result
from raysim.scene.data import Scene
from raysim.theory.criteria import REFLECTION_LEVEL_DB, REFLECTION_WINDOW_S
from raysim.units import counted

Array = NDArray[np.float64]

# Factor and unit in which a quantity is printed; CSV keeps SI.
PRINTED = {"Ts": (1e3, "ms"), "D50": (100.0, "%")}
COMPARED = ("T20", "C50", "G")
ORDER = ("EDT", "T20", "T30", "curvature", "C50", "C80", "D50", "Ts", "G")


@dataclass(frozen=True)
class Head:
    """Head of a column: key, term, printed unit."""

    key: str
    term: str
    unit: str


@dataclass(frozen=True)
class Cell:
    """A printed number with its error, or the reason why there is none (over `span` columns)."""

    value: str = ""
    error: str = ""
    reason: str = ""
    span: int = 1


@dataclass(frozen=True)
class BandRow:
    """Cells of one band."""

    band: str
    cells: list[Cell]


@dataclass(frozen=True)
class QuantityTable:
    """All quantities of one place by band."""

    title: str
    heads: list[Head]
    rows: list[BandRow]


def heads() -> list[Head]:
    """Columns of the quantity tables."""
    return [
        Head(key, QUANTITIES[key].term, PRINTED.get(key, (1.0, QUANTITIES[key].unit))[1])
        for key in ORDER
    ]


def quantity_tables(
    result: Result, estimates: dict[str, Estimate], variant: int, receiver: int
) -> list[QuantityTable]:
    """One table a source at this receiver.

    At the first one also the mean over all positions if there are more. With more than four
    sources only the mean is printed; the CSV has them all.
    """
    scene = result.scene
    tables = []
    if len(scene.sources) <= 4:
        for s, source in enumerate(scene.sources):
            place = (variant, s, receiver)
            at = {
                key: (e.value[place], e.standard_error[place], e.reason[place])
                for key, e in ((key, estimates[key]) for key in ORDER)
            }
            title = f"{source.name}, at {scene.receivers[receiver].name}"
            tables.append(QuantityTable(title, heads(), _band_rows(scene.bands_hz, at)))
    if receiver == 0 and (len(scene.sources) > 4 or len(scene.receivers) > 1):
        mean = {}
        for key in ORDER:
            e = average(result, key)
            mean[key] = (e.value[variant], e.standard_error[variant], e.reason[variant])
        title = f"Mean over {_count(scene)}"
        tables.append(QuantityTable(title, heads(), _band_rows(scene.bands_hz, mean)))
    return tables


def position_tables(
    result: Result, estimates: dict[str, Estimate], variant: int
) -> list[dict[str, object]]:
    """Compare receivers: for each of a few quantities a row for each pair, one cell a band.

    Where a cell is undefined it has a dash for its reason, which the tables of the receivers and
    the CSV give. Empty with a single receiver.
    """
    scene = result.scene
    if len(scene.receivers) == 1:
        return []
    found: list[dict[str, object]] = []
    for key in COMPARED:
        e = estimates[key]
        unit = QUANTITIES[key].unit
        rows = []
        for r, receiver in enumerate(scene.receivers):
            for s, source in enumerate(scene.sources):
                at = (variant, s, r)
                cells = [
                    Cell(reason="–") if why else Cell(*digits.rounded(float(v), float(error)))
                    for v, error, why in zip(
                        e.value[at], e.standard_error[at], e.reason[at], strict=True
                    )
                ]
                rows.append({"receiver": receiver.name, "source": source.name, "cells": cells})
        found.append({"title": f"{key}, {QUANTITIES[key].term}", "unit": unit, "rows": rows})
    return found


def _count(scene: Scene) -> str:
    sources, receivers = len(scene.sources), len(scene.receivers)
    return f"{counted(sources, 'source')} and {counted(receivers, 'receiver')}"


def _band_rows(
    bands_hz: Sequence[float], at: dict[str, tuple[Array, Array, NDArray[np.str_]]]
) -> list[BandRow]:
    rows = []
    for b, label in enumerate(bands_hz):
        cells: list[Cell] = []
        for reason, keys in groupby(at, key=lambda key: str(at[key][2][b])):
            together = list(keys)
            if reason:
                cells.append(Cell(reason=reason, span=len(together)))
                continue
            for key in together:
                factor = PRINTED.get(key, (1.0, ""))[0]
                value, error = at[key][0][b] * factor, at[key][1][b] * factor
                cells.append(Cell(*digits.rounded(float(value), float(error))))
        rows.append(BandRow(band_name(label), cells))
    return rows


def level_range(result: Result, path: Reflection) -> str:
    """'−5.8 to −4.9', what the materials' ranges leave of a level; empty where it isn't judged."""
    ends = [digits.tidy(end, 1) for end in level_range_db(result, path) if np.isfinite(end)]
    return " to ".join(ends)


def is_sure(result: Result, path: Reflection) -> bool:
    """Whether the materials' ranges leave a level on one side of the guide."""
    low, high = level_range_db(result, path)
    return not low <= REFLECTION_LEVEL_DB < high


def reflection_rows(result: Result, listed: Sequence[Listed]) -> list[dict[str, object]]:
    """Rows of the table of early reflections."""
    scene = result.scene
    rows: list[dict[str, object]] = []
    for before, one in zip([None, *listed[:-1]], listed, strict=True):
        path = one.reflection
        words, mark = verdict(one)
        if one.is_early and not is_sure(result, path):
            words += " (not sure)"
        delay, tolerance = delay_ms(scene, path)
        places = [
            in_words(scene, facet, place, point)
            for facet, place, point in zip(path.facets, one.places, path.points, strict=True)
        ]
        if len(places) > 1:
            names = one.surfaces.split(", ")
            places = [f"{name}: {place}" for name, place in zip(names, places, strict=True)]
        rows.append(
            {
                "number": one.numbered.number,
                "source": scene.sources[one.reflection.source].name,
                "surfaces": one.surfaces.replace(", ", ", then "),
                "delay_ms": delay,
                "delay_tolerance_ms": tolerance,
                "level_db": digits.tidy(one.level_db, 1) if np.isfinite(one.level_db) else "–",
                "level_range_db": level_range(result, path),
                "places": places,
                "verdict": words,
                "mark": mark,
                "divider": before is not None
                and before.reflection.order == 1 < one.reflection.order,
            }
        )
    return rows


def plausibility_rows(scene: Scene, variant: str = "") -> list[list[str]]:
    """Diffuse-field estimates of a variant by band, as text."""
    field = diffuse_field(scene, variant)
    return [
        [
            band_name(label),
            f"{field.mean_absorption[b]:.2f}",
            f"{field.sabine_s[b]:.2f}",
            f"{field.eyring_s[b]:.2f}",
            f"−{100 * (1 - field.shorter[b]):.0f} to +{100 * (field.longer[b] - 1):.0f}",
            _span(field.critical_distance_m[:, b]),
        ]
        for b, label in enumerate(scene.bands_hz)
    ]


def _span(values: Array) -> str:
    """Smallest and largest of what is defined: '0.61', '0.61–0.84', or a dash for nothing."""
    defined = values[np.isfinite(values)]
    ends = [f"{end:.2f}" for end in (defined.min(), defined.max())] if defined.size else ["–"]
    return "–".join(dict.fromkeys(ends))


def material_rows(scene: Scene, variant: str = "") -> list[dict[str, object]]:
    """Materials with coefficients, ranges, areas, where they are and where they come from."""
    areas = areas_of(scene, variant)
    rows: list[dict[str, object]] = []
    for index in np.argsort(-areas):
        material = scene.materials[index]
        if areas[index] == 0:
            continue
        names = [s.name for s in scene.surfaces if s.material == index]
        shown = ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")
        rows.append(
            {
                "name": material.name,
                "area": f"{areas[index]:.1f}",
                "absorption": [
                    (f"{a:.2f}", f"{low:.2f}–{high:.2f}")
                    for a, low, high in zip(
                        material.absorption,
                        material.absorption_low,
                        material.absorption_high,
                        strict=True,
                    )
                ],
                "scattering": [f"{s:.2f}" for s in material.scattering],
                "surfaces": shown,
                "source": material.source,
            }
        )
    return rows


def quantities_csv(result: Result, estimates: dict[str, Estimate]) -> str:
    """Every quantity at every place and band, SI units, nine significant digits."""
    scene = result.scene
    rows: list[list[object]] = [
        [
            "variant",
            "source",
            "receiver",
            "band_hz",
            "quantity",
            "unit",
            "value",
            "standard_error",
            "reason",
        ]
    ]
    for key, estimate in estimates.items():
        for v, s, r, b in np.ndindex(estimate.value.shape):
            defined = not estimate.reason[v, s, r, b]
            rows.append(
                [
                    result.variants[v],
                    scene.sources[s].name,
                    scene.receivers[r].name,
                    f"{scene.bands_hz[b]:g}",
                    key,
                    QUANTITIES[key].unit,
                    f"{estimate.value[v, s, r, b]:.9g}" if defined else "",
                    f"{estimate.standard_error[v, s, r, b]:.9g}" if defined else "",
                    estimate.reason[v, s, r, b],
                ]
            )
    return _csv(rows)


def reflections_csv(result: Result, listed: Sequence[Listed]) -> str:
    """Every specular path of the result; `number` is that of the page where it is listed."""
    scene = result.scene
    numbers = {id(one.reflection): one.numbered.number for one in listed}
    levels = [f"level_{label:g}hz_db" for label in scene.bands_hz]
    rows: list[list[object]] = [
        [
            "number",
            "variant",
            "source",
            "receiver",
            "order",
            "surfaces",
            "delay_ms",
            "delay_tolerance_ms",
            "length_m",
            "level_1_to_8khz_db",
            "level_lowest_db",
            "level_highest_db",
            "within_window",
            *levels,
            "azimuth_deg",
            "elevation_deg",
            "points_m",
            "places_cm",
        ]
    ]
    rooms = [result.scene_in(v) for v in range(len(result.variants))]
    for path in result.reflections:
        scene = rooms[path.variant]
        facets = [scene.facets[f] for f in path.facets]
        tolerance_ms = 1e3 * delay_tolerance_s(scene, path)
        points = [" ".join(f"{x:.4f}" for x in point) for point in path.points]
        places = [place_on(scene, f, p) for f, p in zip(facets, path.points, strict=True)]
        rows.append(
            [
                numbers.get(id(path), ""),
                result.variants[path.variant],
                scene.sources[path.source].name,
                scene.receivers[path.receiver].name,
                path.order,
                ", ".join(scene.surfaces[f.surface].name for f in facets),
                f"{1e3 * path.delay_s:.4f}",
                f"{tolerance_ms:.4f}" if np.isfinite(tolerance_ms) else "",
                f"{path.length_m:.4f}",
                *(
                    f"{level:.3f}" if np.isfinite(level) else ""
                    for level in (level_db(result, path), *level_range_db(result, path))
                ),
                "yes" if path.delay_s <= REFLECTION_WINDOW_S else "no",
                *(f"{level:.3f}" for level in path.level_db),
                f"{path.azimuth_deg:.2f}",
                f"{path.elevation_deg:.2f}",
                "; ".join(points),
                "; ".join(place.describe() for place in places),
            ]
        )
    return _csv(rows)


def _csv(rows: list[list[object]]) -> str:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows(rows)
    return buffer.getvalue()
