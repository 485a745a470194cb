"""What a run says when it is done: quantities with ±, reflections, plausibility."""

from __future__ import annotations

import json
import math
import textwrap
from typing import Any, Literal

import click
import numpy as np
from numpy.typing import NDArray
from rich.table import Table

from raysim import quantities
from raysim.bands import band_name
from raysim.cli.paper import console, say_item
from raysim.digits import rounded, tidy
from raysim.estimate import Estimate
from raysim.quantities import QUANTITIES
from raysim.quantities.bass_modes import mode_in_words
from raysim.quantities.dips import find_dips
from raysim.quantities.reflections import EarlyReflection, level_range_db
from raysim.report import bass_words, comparing
from raysim.report.listed import delay_ms
from raysim.report.tables import level_range
from raysim.results.data import Result
from raysim.scene.playing import not_counted

SHOWN = ("T20", "EDT", "C50", "G")
WORST_SHOWN = 5
LOWEST_MODES = 5
FIRST = 0  # of the variants: shown in full
UNDEFINED = "-"
BY_WAVES = "~"


def print_summary(result: Result) -> None:
    """Print tables and sentences for people."""
    _print_quantities(result)
    _print_reflections(result)
    _print_variants(result)
    _print_bass(result)
    _print_plausibility(result)
    _print_precision(result)
    click.echo(
        f"{result.rays:,} rays a source, {result.reflection_count:,} reflections, "
        f"{result.lost_rays} lost; {result.duration_of_run_s:.1f} s"
    )
    click.echo(f"stopped by: {result.stopped_by}")
    if not quantities.states_decay(result):
        click.echo("  there T20 only tells when the rays are enough: it says nothing of this room")


def _print_bass(result: Result) -> None:
    """What the bass is like at the first receiver, first variant, and its lowest modes."""
    bass, response = result.bass, quantities.joined_response(result)
    if bass is None or response is None:
        return
    first = quantities.side_of(result, result.variants[FIRST]).result
    modes = quantities.modes_of(first, bass.of_variant(FIRST))
    sources = [source.name for source in result.scene.sources]
    receivers = [receiver.name for receiver in result.scene.receivers]
    dips = [find_dips(result, response, FIRST, s, 0) for s in range(len(sources))]
    title = f"Bass by waves{_of_first(result)} at '{receivers[0]}': {bass.notes[0]}"
    click.echo("\n" + textwrap.fill(title, console().width, subsequent_indent="  "))
    for sentence in bass_words.sentences(first, response, modes, dips):
        say_item(sentence)
    if not modes:
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("mode (Hz)", "decay (s)"):
        table.add_column(title, justify="right", no_wrap=True)
    for title in ("which", "who drives it, who hears it"):
        table.add_column(title)
    for mode in modes[:LOWEST_MODES]:
        time = "endless" if math.isinf(mode.decay_time_s) else f"{mode.decay_time_s:.2f}"
        words = mode_in_words(mode, sources, receivers)
        table.add_row(with_error(mode.frequency_hz, mode.tolerance_hz), time, mode.kind, words)
    console().print(table)


def _bass_json(result: Result) -> dict[str, Any] | None:
    bass, response = result.bass, quantities.joined_response(result)
    if bass is None or response is None:
        return None
    return {
        "highest_hz": float(bass.frequency_hz[-1]),
        "notes": list(bass.notes),
        "modes": [
            {
                "variant": result.variants[mode.variant],
                "frequency_hz": mode.frequency_hz,
                "tolerance_hz": mode.tolerance_hz,
                "decay_time_s": plain(mode.decay_time_s),
                "decay_time_range_s": plain([mode.shortest_s, mode.longest_s]),
                "kind": mode.kind,
                "verdict": mode.verdict,
                "is_sure": mode.is_sure,
            }
            for mode in quantities.modes_of(result, bass)
        ],
        "boundary_notches": [
            {
                "variant": result.variants[notch.variant],
                "source": result.scene.sources[notch.source].name,
                "receiver": result.scene.receivers[notch.receiver].name,
                "surface": notch.surface,
                "frequency_hz": notch.frequency_hz,
                "tolerance_hz": plain(notch.tolerance_hz),
                "rule_hz": notch.rule_hz,
                "level_re_direct_db": plain(notch.depth_db),
                "level_range_db": plain(list(notch.depth_range_db)),
            }
            for notch in quantities.boundary_notches(result)
        ],
        "low_bands_hz": list(response.low_bands_hz),
        "low_t20_s": plain(response.low_t20_s),
        "low_t20_spread_s": plain(response.low_t20_spread_s),
        "overlap_hz": list(response.overlap_hz),
        "overlap_difference_db": plain(response.overlap_db),
    }


def print_json(result: Result, path: str) -> None:
    """Print the same as one JSON object; undefined numbers are null and have a reason."""
    estimates = quantities.evaluate_all(result)
    scene = result.scene
    field = quantities.diffuse_field(scene)
    summary: dict[str, Any] = {
        "result": path,
        "title": scene.title,
        "bands_hz": list(scene.bands_hz),
        "variants": list(result.variants),
        "sources": [source.name for source in scene.sources],
        "receivers": [receiver.name for receiver in scene.receivers],
        "axes": ["variant", "source", "receiver", "band"],
        "quantities": {
            key: {
                "unit": QUANTITIES[key].unit,
                "value": plain(estimate.value),
                "standard_error": plain(estimate.standard_error),
                "reason": estimate.reason.tolist(),
            }
            for key, estimate in estimates.items()
        },
        "bass": _bass_json(result),
        "early_reflections": [
            _reflection_json(result, one) for one in quantities.early_reflections(result)
        ],
        "plausibility": {
            "volume_m3": scene.volume,
            "area_m2": scene.area,
            "sabine_s": plain(field.sabine_s),
            "eyring_s": plain(field.eyring_s),
            "mean_free_path_m": field.mean_free_path_m,
            "schroeder_frequency_hz": plain(quantities.transition_frequency(result)),
        },
        "rays": result.rays,
        "reflections": result.reflection_count,
        "lost_rays": result.lost_rays,
        "stopped_by": result.stopped_by,
        "duration_s": result.duration_of_run_s,
        "seed": result.settings.seed,
        "raysim_version": result.raysim_version,
    }
    click.echo(json.dumps(summary, ensure_ascii=False, indent=2))


def _reflection_json(result: Result, one: EarlyReflection) -> dict[str, Any]:
    path = one.reflection
    return {
        "variant": result.variants[path.variant],
        "source": result.scene.sources[path.source].name,
        "receiver": result.scene.receivers[path.receiver].name,
        "surfaces": one.path,
        "delay_s": path.delay_s,
        "delay_tolerance_s": plain(
            quantities.delay_tolerance_s(result.scene_in(path.variant), path)
        ),
        "level_db": plain(one.level_db),
        "level_range_db": plain(list(level_range_db(result, path))),
        "is_met": one.is_met,
    }


def plain(values: Any) -> Any:
    """Numbers and nested lists of numbers for JSON, with null for what isn't finite."""
    if isinstance(values, np.ndarray):
        return plain(values.tolist())
    if isinstance(values, list):
        return [plain(value) for value in values]
    return float(values) if math.isfinite(values) else None


def largest_error_percent(
    estimate: Estimate, where: NDArray[np.bool_] | Literal[True] = True
) -> float:
    """Largest standard error in percent of its value; NaN where no value is defined."""
    percent = 100 * estimate.standard_error / estimate.value
    defined = percent[np.isfinite(percent) & where]
    return float(defined.max()) if defined.size else math.nan


def with_error(value: float, standard_error: float) -> str:
    """'0.213 ±0.002', or a dash where undefined."""
    if math.isnan(value):
        return UNDEFINED
    number, error = rounded(value, standard_error)
    return f"{number} ±{error}"


def _print_quantities(result: Result) -> None:
    averages = {key: quantities.average(result, key) for key in SHOWN}
    pairs = len(result.scene.sources) * len(result.scene.receivers)
    silent = not_counted(result.scene)
    of = "" if pairs == 1 else f", mean over {pairs} pairs of source and receiver"
    of += " in the bands that the source plays" if silent and pairs > 1 else ""
    click.echo(f"\nQuantities{_of_first(result)} ± standard error{of}")
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("band", justify="right")
    for key in SHOWN:
        table.add_column(f"{key} ({QUANTITIES[key].unit})", justify="right", no_wrap=True)
    waves = quantities.mean_bass_decay(result, FIRST)
    below = [label for label in waves if label < result.scene.bands_hz[0]]
    rest = [UNDEFINED] * (len(SHOWN) - 1)
    for label in below:
        table.add_row(band_name(label), _by_waves(waves[label]), *rest, style="dim")
    for b, label in enumerate(result.scene.bands_hz):
        cells = [_cell(averages[key], FIRST, b) for key in SHOWN]
        if cells[0] == UNDEFINED and label in waves:
            cells[0] = _by_waves(waves[label])
        table.add_row(band_name(label), *cells, style="dim" if UNDEFINED in cells else "")
    console().print(table)
    if waves:
        click.echo(f"  {BY_WAVES} by waves, ± over sources, receivers and head zones")
    for sentence in _reasons(result, averages, FIRST):
        say_item(sentence)
    for sentence in silent:
        say_item(sentence)


def _by_waves(time: tuple[float, float]) -> str:
    return f"{with_error(*time)}{BY_WAVES}"


def _of_first(result: Result) -> str:
    return "" if len(result.variants) == 1 else f" of '{result.variants[FIRST]}'"


def _print_variants(result: Result) -> None:
    """What each further variant changes, in words."""
    if len(result.variants) == 1:
        return
    click.echo("\nWhat the other variants change")
    for comparison in quantities.compare_variants(result):
        click.echo(f"  {comparing.headline(comparison)}")
        for sentence in comparing.sentences(comparison):
            click.echo(f"    {sentence}")


def _cell(estimate: Estimate, variant: int, band: int) -> str:
    return with_error(
        float(estimate.value[variant, band]), float(estimate.standard_error[variant, band])
    )


def _reasons(result: Result, averages: dict[str, Estimate], variant: int) -> list[str]:
    """One sentence for each reason, with the bands and quantities it holds for."""
    bands: dict[tuple[tuple[str, ...], str], list[str]] = {}
    for b, label in enumerate(result.scene.bands_hz):
        keys: dict[str, list[str]] = {}
        for key in SHOWN:
            reason = str(averages[key].reason[variant, b])
            if reason:
                keys.setdefault(reason, []).append(key)
        for reason, those in keys.items():
            bands.setdefault((tuple(those), reason), []).append(band_name(label))
    return [
        f"{', '.join(keys)} at {', '.join(names)}: {reason}"
        for (keys, reason), names in bands.items()
    ]


def _print_precision(result: Result) -> None:
    """The table shows means over pairs; a run stops by its worst single pair."""
    single = largest_error_percent(quantities.reverberation_time(result))
    if math.isnan(single):
        return
    line = f"Largest standard error of T20: {single:.2f} %"
    if len(result.scene.sources) * len(result.scene.receivers) > 1:
        of_means = largest_error_percent(quantities.average(result, "T20"))
        line += f" of a single pair, {of_means:.2f} % of the means above"
    click.echo(line)


def _print_reflections(result: Result) -> None:
    judged = [
        one
        for one in quantities.early_reflections(result)
        if one.is_met is not None and one.reflection.variant == FIRST
    ]
    if not judged:
        click.echo("\nNo reflection within 15 ms of the direct sound, or no band of 1 to 8 kHz.")
        return
    failing = sum(not one.is_met for one in judged)
    click.echo(
        f"\nStrongest reflections within 15 ms after the direct sound"
        f"{_of_first(result)} ({failing} of {len(judged)} are less than 10 dB below it)"
    )
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("from", "to", "by"):
        table.add_column(title)
    for title in ("ms", "dB re direct", "in the materials' ranges"):
        table.add_column(title, justify="right", no_wrap=True)
    for one in sorted(judged, key=lambda one: -one.level_db)[:WORST_SHOWN]:
        path = one.reflection
        table.add_row(
            result.scene.sources[path.source].name,
            result.scene.receivers[path.receiver].name,
            one.path,
            " ±".join(filter(None, delay_ms(result.scene, path))),
            tidy(one.level_db, 1),
            level_range(result, path),
        )
    console().print(table)


def _print_plausibility(result: Result) -> None:
    scene = result.scene_in(FIRST)
    field = quantities.diffuse_field(result.scene, result.variants[FIRST])
    eyring = ", ".join(f"{seconds:.2f}" for seconds in field.eyring_s)
    transition_hz = ", ".join(f"{hz:.0f}" for hz in quantities.transition_frequency(result))
    click.echo(
        f"\nPlausibility only: {scene.volume:.1f} m3, {scene.area:.1f} m2, mean free path "
        f"{field.mean_free_path_m:.2f} m; Eyring {eyring} s by band; "
        f"Schroeder frequency {transition_hz} Hz"
    )
