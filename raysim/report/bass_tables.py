"""Tables of the bass: rows of text for the page, and CSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.digits import rounded, tidy
from raysim.quantities import boundary_notches, corner_levels, modes_of, zone_levels
from raysim.quantities.bass_modes import Mode, mode_in_words
from raysim.quantities.bass_notches import Notch
from raysim.quantities.bass_ranges import responses_at_ends, seat_range_db
from raysim.results.data import Bass, Result
from raysim.results.response import Response

Array = NDArray[np.float64]

MOST_MODES = 20


def mode_rows(result: Result, modes: Sequence[Mode]) -> list[dict[str, str]]:
    """The lowest modes of the first variant in words."""
    sources = [s.name for s in result.scene.sources]
    receivers = [r.name for r in result.scene.receivers]
    rows = []
    for mode in modes[:MOST_MODES]:
        frequency, tolerance = rounded(mode.frequency_hz, mode.tolerance_hz)
        endless = math.isinf(mode.decay_time_s)
        rows.append(
            {
                "frequency": frequency,
                "tolerance": tolerance,
                "time": "endless" if endless else f"{mode.decay_time_s:.2f}",
                "range": "" if endless else f"{mode.shortest_s:.2f} to {mode.longest_s:.2f}",
                "kind": mode.kind or "–",
                "who": mode_in_words(mode, sources, receivers),
                "verdict": mode.verdict + ("" if mode.is_sure else " (not sure)"),
            }
        )
    return rows


def notch_rows(result: Result, receiver: int) -> list[dict[str, str]]:
    """Notches at a receiver of the first variant."""
    return [
        {
            "source": result.scene.sources[n.source].name,
            "surface": n.surface + ("" if n.is_large else " (less than half a wave across)"),
            "distance": f"{100 * n.distance_m:.0f}",
            "longer": f"{100 * n.path_difference_m:.0f}",
            "frequency": f"{n.frequency_hz:.0f}",
            "tolerance": "" if math.isnan(n.tolerance_hz) else f"{max(n.tolerance_hz, 1):.0f}",
            "rule": f"{n.rule_hz:.0f}",
            "depth": tidy(n.depth_db, 1),
            "depth_range": _range(*n.depth_range_db),
        }
        for n in _notches(result)
        if n.receiver == receiver
    ]


def third_rows(result: Result, bass: Bass, receiver: int) -> dict[str, object] | None:
    """Levels at the seat, their spread over the head zone, corners as means over the sources."""
    zone, corners = zone_levels(bass), corner_levels(bass)
    if not zone.bands_hz:
        return None
    lowest, highest = (
        end[:, receiver] for end in seat_range_db(bass, responses_at_ends(result, bass))
    )
    rows = []
    for s, source in enumerate(result.scene.sources):
        ranges = [_range(*ends) for ends in zip(lowest[s], highest[s], strict=True)]
        level, spread = zone.level_db[0, s, receiver], zone.spread_db[0, s, receiver]
        rows.append(_row(f"{source.name}, level at the seat", level, ranges))
        rows.append(_row(f"{source.name}, spread over the head", spread))
    if corners is not None:
        for place, over in (("average", corners.over_room[0]), ("middle", corners.over_middle[0])):
            apart = [f"± {error:.1f}" for error in over.std(axis=0)] if len(over) > 1 else ()
            rows.append(_row(f"corners over the room's {place}", over.mean(axis=0), apart))
    return {"bands": [f"{f:g}" for f in zone.bands_hz], "rows": rows}


def _range(low: float, high: float) -> str:
    return f"{tidy(low, 1)} to {tidy(high, 1)}"


def _row(name: str, values: Array, errors: Sequence[str] = ()) -> dict[str, object]:
    shown = zip(values.tolist(), errors or [""] * len(values), strict=True)
    return {
        "name": name,
        "cells": [("–", "") if math.isnan(v) else (tidy(v, 1), e) for v, e in shown],
    }


def _notches(result: Result) -> list[Notch]:
    return [n for n in boundary_notches(result) if n.variant == 0]


def modes_csv(result: Result, bass: Bass) -> str:
    """Every mode of every variant."""
    scene = result.scene
    head = (
        "variant frequency_hz tolerance_hz decay_time_s shortest_s longest_s kind verdict "
        "is_sure".split()
    )
    head += [f"at source {s.name}" for s in scene.sources]
    head += [f"at receiver {r.name}" for r in scene.receivers]
    return _csv(
        head,
        (
            [
                result.variants[m.variant],
                *_numbers(
                    m.frequency_hz, m.tolerance_hz, m.decay_time_s, m.shortest_s, m.longest_s
                ),
                m.kind,
                m.verdict,
                int(m.is_sure),
                *_numbers(*m.at_sources, *m.at_receivers),
            ]
            for m in modes_of(result, bass)
        ),
    )


def notches_csv(result: Result) -> str:
    """Every boundary notch of every variant and receiver."""
    scene = result.scene
    head = (
        "variant source receiver surface distance_m path_difference_m notch_hz tolerance_hz "
        "rule_hz depth_db depth_lowest_db depth_highest_db is_large".split()
    )
    return _csv(
        head,
        (
            [
                result.variants[n.variant],
                scene.sources[n.source].name,
                scene.receivers[n.receiver].name,
                n.surface,
                *_numbers(
                    n.distance_m,
                    n.path_difference_m,
                    n.frequency_hz,
                    n.tolerance_hz,
                    n.rule_hz,
                    n.depth_db,
                    *n.depth_range_db,
                ),
                int(n.is_large),
            ]
            for n in boundary_notches(result)
        ),
    )


def response_csv(result: Result, response: Response) -> str:
    """Every variant, receiver and playback: level and smoothed level, dB re free field at 10 m."""
    columns, head = [], ["frequency_hz", "bass_share"]
    for v, variant in enumerate(result.variants):
        for r, receiver in enumerate(result.scene.receivers):
            for p, playback in enumerate(response.playback):
                head += [f"{variant} {playback} to {receiver.name} {k}_db" for k in KINDS]
                columns += [each[v, p, r] for each in (response.level_db, response.smoothed_db)]
    table = np.column_stack([response.frequency_hz, response.bass_share, *columns])
    return _csv(
        head, ([f"{x:.6g}" for x in row[:2]] + [f"{x:.2f}" for x in row[2:]] for row in table)
    )


KINDS = ("level", "smoothed")


def thirds_csv(result: Result, bass: Bass) -> str:
    """Third-octave levels over the head zone, and corners against the room."""
    zone, corners = zone_levels(bass), corner_levels(bass)
    scene, rows = result.scene, []
    for v, variant in enumerate(result.variants):
        for s, source in enumerate(scene.sources):
            for r, receiver in enumerate(scene.receivers):
                for b, band in enumerate(zone.bands_hz):
                    each = [x[v, s, r, b] for x in (zone.level_db, zone.lowest_db, zone.highest_db)]
                    if corners is not None:
                        each += [x[v, s, b] for x in (corners.over_room, corners.over_middle)]
                    rows.append(
                        [variant, source.name, receiver.name, f"{band:g}", *_numbers(*each)]
                    )
    head = "variant source receiver third_hz level_db lowest_db highest_db".split()
    if corners is not None:
        head += ["corners_over_room_db", "corners_over_middle_db"]
    return _csv(head, rows)


def _numbers(*values: float) -> list[str]:
    return ["" if math.isnan(x) else f"{x:.6g}" for x in values]


def _csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    buffer = io.StringIO()
    write = csv.writer(buffer, lineterminator="\n")
    write.writerow(head)
    write.writerows(rows)
    return buffer.getvalue()
