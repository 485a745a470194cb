"""Progress with time left: a bar on a terminal, a line now and then elsewhere."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, TextColumn
from rich.progress import Progress as Bar

if TYPE_CHECKING:
    from raysim.solvers.run import Progress

    Report = Callable[[Progress], None]

SECONDS_BETWEEN_LINES = 5.0


@contextmanager
def shown_progress() -> Iterator[Report]:
    """A callable for `raysim.run` that shows on stderr what is going on."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield _Lines()
        return
    bar = Bar(
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        TextColumn("{task.percentage:>3.0f} %"),
        TextColumn("{task.fields[left]}"),
        TextColumn("[dim]{task.fields[detail]}[/dim]"),
        console=console,
        transient=True,
    )
    with bar:
        task = bar.add_task("starting", total=1.0, left="", detail="")

        def update(progress: Progress) -> None:
            bar.update(
                task,
                description=escape(progress.stage),
                completed=progress.fraction,
                left=time_left(progress.seconds_left),
                detail=escape(progress.detail),
            )

        yield update


class _Lines:
    """A line when the stage changes, and otherwise one every few seconds at most."""

    def __init__(self) -> None:
        self._stage = ""
        self._last_s = -SECONDS_BETWEEN_LINES

    def __call__(self, progress: Progress) -> None:
        now_s = time.monotonic()
        is_new = progress.stage != self._stage
        if not is_new and now_s - self._last_s < SECONDS_BETWEEN_LINES:
            return
        self._stage, self._last_s = progress.stage, now_s
        click.echo(describe(progress), err=True)


def describe(progress: Progress) -> str:
    """One line: 'tracing: 40 %, about 12 s left, T20 to 2.1 %'."""
    parts = []
    if progress.fraction > 0:
        parts.append(f"{100 * progress.fraction:.0f} %")
    parts += [part for part in (time_left(progress.seconds_left), progress.detail) if part]
    return f"{progress.stage}: {', '.join(parts)}" if parts else f"{progress.stage} ..."


def time_left(seconds: float | None) -> str:
    """In words, or empty where nobody knows."""
    if seconds is None:
        return ""
    if seconds < 90:
        return f"about {max(1, round(seconds))} s left"
    if seconds < 5400:
        return f"about {round(seconds / 60)} min left"
    return f"about {seconds / 3600:.1f} h left"
