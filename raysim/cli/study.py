"""`raysim study`: many runs of a scene, overnight."""

from __future__ import annotations

import datetime
import json
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from raysim.cli.destination import folder_option
from raysim.errors import Interrupted, ResultError

if TYPE_CHECKING:
    from raysim.study.compute import Computed
    from raysim.study.effects import Effect
    from raysim.study.plan import Plan, Shelf
    from raysim.study.workers import Crew

MOST_SENTENCES = 12


def _clock(
    context: click.Context, parameter: click.Parameter, text: str | None
) -> datetime.datetime | None:
    """The next moment at which clocks show a time."""
    if text is None:
        return None
    try:
        time = datetime.datetime.strptime(text, "%H:%M").time()
    except ValueError:
        raise click.BadParameter(f"'{text}' is no time; write 06:30", context, parameter) from None
    now = datetime.datetime.now()
    moment = datetime.datetime.combine(now.date(), time)
    return moment if moment > now else moment + datetime.timedelta(days=1)


@click.command()
@click.argument("study_path", metavar="STUDY", type=click.Path(path_type=Path))
@folder_option("Folder; default: the study's name with _study, here.")
@click.option("--workers", metavar="N", type=int, help="Processes; default by cores and memory.")
@click.option(
    "--stop-at", metavar="HH:MM", callback=_clock, help="End by this time, to go on later."
)
@click.option("--cluster", metavar="ADDRESS", help="Compute on the cluster of a Dask scheduler.")
@click.option("--status", is_flag=True, help="Say how far it is; computes nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def study(
    study_path: Path,
    folder: Path | None,
    workers: int | None,
    stop_at: datetime.datetime | None,
    cluster: str | None,
    status: bool,
    as_json: bool,
) -> int:
    """Compute every run of STUDY that isn't done, and merge all into one data set.

    Finished runs are kept one by one; the same command goes on after Ctrl-C, a crash or a full
    disk, and computes damaged ones again. Runs that fail are listed, the others go on.

    \b
    Examples:
      raysim study rear_wall.toml
      raysim study rear_wall.toml --stop-at 06:30
      raysim study rear_wall.toml --status
      raysim study rear_wall.toml --cluster tcp://10.0.0.5:8786
    """
    from raysim.cli.progress import shown_progress
    from raysim.study.compute import compute_study, open_study

    if status:
        return _say_status(*open_study(study_path, folder), as_json)
    with _asked_to_stop() as should_stop, shown_progress() as show:
        computed = compute_study(
            study_path,
            folder,
            workers,
            None if cluster is None else _crew_at(cluster),
            show,
            should_stop,
            stop_at,
        )
    _draw(computed.effects, computed.folder)
    command = f"raysim study {study_path} -o {computed.folder}"
    if as_json:
        _print_json(computed)
    else:
        _print(computed, command)
    if computed.night.stopped == "interrupted":
        raise Interrupted(f"interrupted; what is finished is kept, go on with: {command}")
    return 1 if computed.night.failures or computed.night.stopped else 0


def _crew_at(address: str) -> Callable[[int], Crew]:
    def hire(_tasks: int) -> Crew:
        from raysim.study.cluster import ClusterCrew

        return ClusterCrew(address)

    return hire


@contextmanager
def _asked_to_stop() -> Iterator[Callable[[], bool]]:
    """Whether Ctrl-C or SIGTERM has come; a second one ends at once."""
    asked = threading.Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()

    before = {one: signal.signal(one, stop) for one in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked.is_set
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _draw(effects: Sequence[Effect], folder: Path) -> None:
    """A picture of each quantity's effects."""
    from raysim.files import why_not_written, write_whole
    from raysim.report.effects import Whisker, draw_effects
    from raysim.results.layout import QUANTITY_LABELS
    from raysim.study.effects import SURE_BELOW

    by_quantity: dict[str, list[Whisker]] = {}
    for one in effects:
        if one.reason:
            continue
        against = f" against {one.term.against}" if one.term.against else ""
        label = f"{one.term.factor}: {one.term.level}{against}"
        sure = one.p_holm < SURE_BELOW
        whisker = Whisker(label, one.band_hz, one.effect, one.low, one.high, sure)
        by_quantity.setdefault(one.quantity, []).append(whisker)
    for quantity, whiskers in by_quantity.items():
        unit = QUANTITY_LABELS[quantity][0]
        path = folder / f"effects_{quantity}.png"
        try:
            write_whole(path, draw_effects(quantity, unit, whiskers))
        except OSError as error:
            raise ResultError(why_not_written(path, error)) from None


def _say_status(plan: Plan, shelf: Shelf, as_json: bool) -> int:
    from raysim.study.conduct import read_failures
    from raysim.study.owner import is_owned, read_owner

    done = sum(shelf.is_done(planned.digest) for planned in plan.planned)
    failures = read_failures(shelf)
    owner = read_owner(shelf.folder) if is_owned(shelf.folder) else None
    content: dict[str, Any] = {
        "study": str(plan.study.path),
        "folder": str(shelf.folder),
        "runs": plan.study.runs,
        "tasks": len(plan.planned),
        "tasks_done": done,
        "failures": [vars(one) for one in failures],
        "computed_by": owner.in_words() if owner else None,
    }
    if as_json:
        click.echo(json.dumps(content, ensure_ascii=False, indent=2))
        return 0
    click.echo(
        f"{plan.study.title}: {plan.study.runs} runs in {len(plan.planned)} tasks, {done} done"
    )
    click.echo(f"computed now by {owner.in_words()}" if owner else "nobody computes it now")
    _print_failures([f"{one.described}: {one.sentence}" for one in failures])
    return 0


def _print_failures(sentences: list[str]) -> None:
    if sentences:
        click.echo(f"{len(sentences)} run{'s' if len(sentences) > 1 else ''} failed:")
    for sentence in sentences[:MOST_SENTENCES]:
        click.echo(f"- {sentence}")
    if len(sentences) > MOST_SENTENCES:
        click.echo(f"- and {len(sentences) - MOST_SENTENCES} more, in failures.json")


def _print_json(computed: Computed) -> None:
    night, merged = computed.night, computed.merged
    content = {
        "folder": str(computed.folder),
        "data": str(computed.data),
        "runs": night.runs,
        "runs_done": merged.done,
        "runs_failed": merged.failed,
        "runs_missing": merged.missing,
        "tasks": night.tasks,
        "tasks_found_done": night.found,
        "tasks_found_damaged": night.damaged,
        "tasks_computed": night.computed,
        "failures": [vars(one) for one in night.failures],
        "stopped": night.stopped or None,
    }
    click.echo(json.dumps(content, ensure_ascii=False, indent=2))


def _print(computed: Computed, command: str) -> None:
    night, merged, folder = computed.night, computed.merged, computed.folder
    tasks = f"{night.found} tasks were done, {night.computed} computed now"
    if night.damaged:
        tasks += f", {night.damaged} of them because their files were damaged"
    click.echo(
        f"{night.runs} runs: {merged.done} done, {merged.failed} failed, "
        f"{merged.missing} missing; {tasks}"
    )
    _print_failures([f"{one.described}: {one.sentence}" for one in night.failures])
    names = sorted(p.name for p in folder.iterdir() if p.suffix in (".h5", ".csv", ".md", ".png"))
    click.echo(f"wrote {', '.join(names)} in {folder}")
    if night.stopped and night.stopped != "interrupted":
        click.echo(f"{night.stopped}; go on with: {command}")
