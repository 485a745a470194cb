"""`raysim compare`: what changes from one variant to another, and whether anyone would notice."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from raysim.cli.destination import folder_option
from raysim.cli.names import TakesVariants

if TYPE_CHECKING:
    from raysim.quantities.comparison import Comparison, Judged
    from raysim.results.checks import Check

NO_BASS = "not computed; boomy or not is told by 'raysim run' with --bass"


@click.command(cls=TakesVariants)
@click.argument("result_path", metavar="RESULT.h5", type=click.Path(path_type=Path))
@click.argument("other_path", metavar="[OTHER.h5]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--variant",
    "variants",
    multiple=True,
    metavar="NAME..",
    help="The first is compared with each of the others; default: the first of RESULT.h5 with all.",
)
@click.option(
    "--checks",
    "with_checks",
    is_flag=True,
    help="Also hold each variant against the criteria; ends with 1 if one is not met.",
)
@folder_option("Also write compare.html, its pictures and differences.csv into this folder.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def compare(
    result_path: Path,
    other_path: Path | None,
    variants: tuple[str, ...],
    with_checks: bool,
    folder: Path | None,
    as_json: bool,
) -> int:
    """Compare variants of a room, of one result or of two. Computes no acoustics.

    Every difference has the standard error of the difference itself, and a verdict: better,
    worse, differs (where there is no better), no difference you could notice, or can't tell and
    what would decide it.

    \b
    Examples:
      raysim compare control_room.h5
      raysim compare control_room.h5 --variant base sides -o before_and_after
      raysim compare as_built.h5 with_panels.h5 --json
    """
    from raysim.quantities.checks import check_all
    from raysim.quantities.comparison import compare_variants
    from raysim.results.store import load_result

    result = load_result(result_path)
    other = None if other_path is None else load_result(other_path)
    names = (str(result_path), str(other_path))
    compared = compare_variants(result, other, variants, names)
    checks = {one.after.name: check_all(one.after.result) for one in compared if with_checks}
    if as_json:
        click.echo(json.dumps(as_data(compared, checks), ensure_ascii=False, indent=2))
    else:
        _print(compared, checks)
        _say_how_to_decide(compared, result_path)
    if folder is not None:
        from raysim.report.compare_page import write_comparison

        for path in write_comparison(compared, folder):
            click.echo(f"wrote {path}", err=as_json)
        click.echo(f"next: open {folder / 'compare.html'} in a browser", err=as_json)
    failed = any(check.verdict == "not met" for rows in checks.values() for check in rows)
    return 1 if failed else 0


def as_data(compared: Sequence[Comparison], checks: dict[str, tuple[Check, ...]]) -> dict[str, Any]:
    """All comparisons for JSON; undefined numbers are null and have a reason."""
    from raysim.quantities.verdicts import FALSE_DISCOVERY_RATE

    return {
        "before": compared[0].before.name,
        "noticeable_steps": _steps(),
        "verdicts_given_together": compared[0].together,
        "false_discovery_rate": FALSE_DISCOVERY_RATE,
        "interval_level": compared[0].level,
        "comparisons": [_one(comparison, checks) for comparison in compared],
        "seats": _seats(compared),
    }


def _steps() -> dict[str, Any]:
    from raysim.theory.noticeable import STEPS

    return {
        key: {"size": step.size, "is_share": step.is_share, "source": step.source}
        for key, step in STEPS.items()
    }


def _seats(compared: Sequence[Comparison]) -> dict[str, Any] | None:
    """Steps off the aims of every variant at every receiver; None with one."""
    from raysim.cli.summary import plain
    from raysim.quantities.seat_aims import PARTS, trade_off

    trade = trade_off(compared)
    if trade is None:
        return None
    return {
        "receivers": list(trade.receivers),
        "bands_hz": list(trade.bands_hz),
        "parts": list(PARTS),
        "variants": [
            {
                "variant": score.name,
                "steps_off": plain(score.off.value),
                "standard_error": plain(score.off.standard_error),
                "steps_of_parts": plain(score.parts),
                "standard_error_of_parts": plain(score.parts_error),
                "change": plain(score.change.value),
                "change_standard_error": plain(score.change.standard_error),
                "verdict": list(score.words),
            }
            for score in trade.scores
        ],
    }


def _one(comparison: Comparison, checks: dict[str, tuple[Check, ...]]) -> dict[str, Any]:
    from raysim.cli.summary import plain
    from raysim.quantities import bass_change
    from raysim.report import bass_comparing

    sums = [
        None
        if total is None
        else {
            "pieces": total.pieces,
            "area_m2": total.area_m2,
            "weight_kg": total.weight_kg,
            "pieces_of_unknown_weight": total.unweighed,
            "cost": total.cost,
            "pieces_of_unknown_cost": total.unpriced,
        }
        for total in comparison.sums
    ]
    data: dict[str, Any] = {
        "after": comparison.after.name,
        "verdict": comparison.overall,
        "times_rays": comparison.times_rays,
        "is_paired": comparison.is_paired,
        "pairing": comparison.pairing,
        "strongest_reflection": {name: ends for name, *ends in comparison.strongest},
        "treatment_before": sums[0],
        "treatment_after": sums[1],
        "differences": [_difference(judged) for judged in comparison.judged],
    }
    change = bass_change(comparison.before, comparison.after)
    data["bass"] = None if change is None else bass_comparing.as_data(change)
    if comparison.after.name in checks:
        data["checks"] = [
            {
                "criterion": check.criterion,
                "value": plain(check.value),
                "limit": plain(check.limit),
                "unit": check.unit,
                "verdict": check.verdict,
                "source": check.source,
            }
            for check in checks[comparison.after.name]
        ]
    return data


def _difference(judged: Judged) -> dict[str, Any]:
    from raysim.cli.summary import plain

    one = judged.difference
    return {
        "quantity": one.key,
        "term": one.term,
        "unit": one.unit,
        "axes": ["place", "of"],
        "place": list(one.places),
        "of": list(one.columns),
        "before": plain(one.before.value),
        "after": plain(one.after.value),
        "before_standard_error": plain(one.before.standard_error),
        "after_standard_error": plain(one.after.standard_error),
        "change": plain(one.change.value),
        "standard_error": plain(one.change.standard_error),
        "reason": one.change.reason.tolist(),
        "verdict": [[verdict.word for verdict in row] for row in judged.verdicts],
        "what_would_decide": [[verdict.reason for verdict in row] for row in judged.verdicts],
        "inputs_leave_open": None
        if judged.spread is None
        else {"down": plain(judged.spread.down), "up": plain(judged.spread.up)},
    }


def _print(compared: Sequence[Comparison], checks: dict[str, tuple[Check, ...]]) -> None:
    from rich.table import Table

    from raysim.cli.paper import console, say_item
    from raysim.quantities import bass_change
    from raysim.report import bass_comparing, comparing

    for comparison in compared:
        click.echo(f"\n{comparing.headline(comparison)}")
        for sentence in comparing.sentences(comparison):
            click.echo(f"  {sentence}")
        click.echo(f"  Treatment: {comparing.sum_in_words(comparison.sums[1])}.\n")
        table = Table(box=None, pad_edge=False, header_style="bold")
        for title in ("quantity", "of"):
            table.add_column(title)
        for title in ("before", "after", "change"):
            table.add_column(title, justify="right", no_wrap=True)
        table.add_column("verdict")
        last = ""
        for row in comparing.rows_of(comparison):
            unit = f" ({row.unit})" if row.unit else ""
            title = f"{row.quantity}{unit}"
            change = f"{row.change} ±{row.error}" if row.error else row.change or "-"
            table.add_row(
                "" if title == last else title,
                row.column,
                row.before,
                row.after,
                change,
                row.verdict,
            )
            last = title
        console().print(table)
        for sentence in comparing.undefined(comparison):
            say_item(sentence)
        say_item(comparing.error_note(comparison))
        bass = bass_change(comparison.before, comparison.after)
        for sentence in bass_comparing.sentences(bass) if bass else ():
            say_item(f"Bass: {sentence}")
        if any(side.result.bass is None for side in (comparison.before, comparison.after)):
            click.echo(f"  Bass: {NO_BASS}.")
        _print_checks(checks.get(comparison.after.name, ()))
    _print_seats(compared)
    if compared[0].together:
        click.echo(f"\n{comparing.together_in_words(compared[0])}")
    click.echo("\nNoticeable steps")
    for sentence in comparing.steps_in_words():
        click.echo(f"  {sentence}")


def _print_seats(compared: Sequence[Comparison]) -> None:
    from raysim.quantities.seat_aims import trade_off
    from raysim.report import seat_by_seat

    trade = trade_off(compared)
    if trade is None:
        return
    click.echo("\nSeat by seat, in noticeable steps off the aims")
    for sentence in seat_by_seat.sentences(trade):
        click.echo(f"  {sentence}")


def _say_how_to_decide(compared: Sequence[Comparison], path: Path) -> None:
    times = max((one.times_rays or 0.0 for one in compared), default=0.0)
    origin = compared[0].before.origin
    if not times or any(one.after.origin is not origin for one in compared):
        return
    rays = int(times * origin.rays)
    click.echo(
        "\nto decide what more rays can: "
        f"raysim run {origin.scene.path} -o {path} --extend {path} --rays {rays}"
    )


def _print_checks(checks: Sequence[Check]) -> None:
    from raysim.digits import tidy

    missed = [check for check in checks if check.verdict == "not met"]
    if checks:
        click.echo(f"  {len(missed)} of {len(checks)} criteria are not met:")
    for check in missed:
        places = 3 if check.unit == "s" else 1
        value, limit = tidy(check.value, places), tidy(check.limit, places)
        click.echo(f"    {check.criterion} {limit} {check.unit}: {value} ({check.source})")
