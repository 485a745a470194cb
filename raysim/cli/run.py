"""`raysim run`: the main job, from a scene file to a result file."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from raysim import save
from raysim.cli.destination import ensure_writable, partial_name
from raysim.cli.doubts import say_doubts
from raysim.cli.names import TakesVariants
from raysim.errors import Interrupted, SettingsError
from raysim.settings import Settings

if TYPE_CHECKING:
    from raysim.results.data import Result
    from raysim.scene.data import Scene

DRAFT_ERROR_PERCENT = 5.0


@click.command(cls=TakesVariants)
@click.argument("scene_path", metavar="SCENE", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    metavar="RESULT.h5",
    type=click.Path(path_type=Path),
    help="Result file; default: the scene's name with .h5, here.",
)
@click.option("--error", metavar="PERCENT", type=float, help="Standard error of T20; default 1.")
@click.option("--draft", is_flag=True, help="A quick look: --error 5.")
@click.option(
    "--rays",
    metavar="N",
    type=int,
    help="Rays a source instead of a precision; rounded up to whole rounds of 8192.",
)
@click.option("--time", "time_s", metavar="SECONDS", type=float, help="Stop after this time.")
@click.option("--seed", metavar="N", type=int, help="Same seed, same numbers; default 1.")
@click.option("--threads", metavar="N", type=int, help="Default: all cores. Changes no number.")
@click.option(
    "--bands", metavar="LO HI", type=(float, float), help="Octaves, such as 63 8000, in Hz."
)
@click.option(
    "--image-order", metavar="N", type=int, help="Order of exact images; default by cost."
)
@click.option(
    "--extend",
    "previous_path",
    metavar="PREVIOUS.h5",
    type=click.Path(path_type=Path),
    help="Go on from an earlier or interrupted result of the same scene.",
)
@click.option(
    "--variant",
    "variants",
    multiple=True,
    metavar="NAME..",
    help="Compute these variants of the scene; default: all.",
)
@click.option("--no-maps", is_flag=True, help="Without maps of the surfaces.")
@click.option(
    "--bass/--no-bass",
    default=True,
    help="Compute the bass by waves too, some ten seconds to a minute more. Default: with.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
def run(
    scene_path: Path,
    output: Path | None,
    previous_path: Path | None,
    bands: tuple[float, float] | None,
    variants: tuple[str, ...],
    no_maps: bool,
    bass: bool,
    as_json: bool,
    **limits: Any,
) -> int:
    """Compute what reaches every receiver of SCENE, and write it into a result file.

    Stops when every T20 above the Schroeder frequency has the asked standard error, or at the
    first limit met. An interrupted run (Ctrl-C) is kept and can be resumed.

    \b
    Examples:
      raysim run control_room.toml -o control_room.h5
      raysim run control_room.toml --draft
      raysim run control_room_treated.toml --variant base sides
      raysim run control_room.toml -o better.h5 --extend control_room.h5 --error 0.5
    """
    output = output or Path(f"{scene_path.stem}.h5")
    settings = chosen_settings(Settings(), **limits)
    ensure_writable(output)

    from raysim.results.store import load_result
    from raysim.scene.read import load_scene
    from raysim.scene.variants import groups_of

    previous = None
    if previous_path is not None:
        previous = load_result(previous_path)
        settings = chosen_settings(previous.settings, **limits)
        variants = variants or previous.variants
        bands = bands or (previous.scene.bands_hz[0], previous.scene.bands_hz[-1])
    settings = replace(settings, maps=not no_maps, bass=bass)
    scene = load_scene(scene_path, bands=bands)
    groups_of(scene, variants or None)  # refuses unknown names before anything is computed
    say_doubts(scene)
    result = _computed(scene, settings, variants, previous, scene_path, output)
    save(result, output)

    from raysim.cli import summary

    if as_json:
        summary.print_json(result, str(output))
    else:
        summary.print_summary(result)
        click.echo(f"wrote {output}\nnext: raysim report {output}")
        if len(result.variants) > 1:
            click.echo(f"and:  raysim compare {output}")
    return _target_exit_code(result, output, scene_path)


def chosen_settings(
    start: Settings,
    *,
    error: float | None,
    draft: bool,
    rays: int | None,
    time_s: float | None,
    seed: int | None,
    threads: int | None,
    image_order: int | None,
) -> Settings:
    """`start` with what the command line gives put in its place.

    Raises
    ------
    SettingsError
        Two options contradict each other, or a value is out of range.
    """
    targets = [
        name
        for name, is_given in (
            ("--error", error is not None),
            ("--draft", draft),
            ("--rays", rays is not None),
        )
        if is_given
    ]
    if len(targets) > 1:
        raise SettingsError(f"{' and '.join(targets)}: each says when to stop; give one of them")
    given: dict[str, Any] = {
        "time_s": time_s,
        "seed": seed,
        "threads": threads,
        "image_order": image_order,
    }
    changes = {name: value for name, value in given.items() if value is not None}
    if rays is not None:
        changes["rays"] = rays
    elif targets:
        changes |= {"rays": None, "error_percent": DRAFT_ERROR_PERCENT if draft else error}
    return replace(start, **changes)


def _computed(
    scene: Scene,
    settings: Settings,
    variants: tuple[str, ...],
    previous: Result | None,
    scene_path: Path,
    output: Path,
) -> Result:
    """Run, and keep what an interrupted run has."""
    from raysim.cli.progress import shown_progress
    from raysim.results.data import Result
    from raysim.solvers.run import run as compute

    try:
        with _terminate_like_interrupt(), shown_progress() as show:
            return compute(
                scene, settings, progress=show, extend=previous, variants=variants or None
            )
    except Interrupted as stop:
        if not isinstance(stop.partial, Result):
            raise Interrupted("interrupted before there was anything to keep") from None
        kept = partial_name(output)
        save(stop.partial, kept)
        raise Interrupted(
            f"interrupted; kept {kept}, resume with: "
            f"raysim run {scene_path} -o {output} --extend {kept}"
        ) from None


@contextmanager
def _terminate_like_interrupt() -> Iterator[None]:
    """Let a batch system's SIGTERM keep the work as Ctrl-C does."""

    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _target_exit_code(result: Result, output: Path, scene_path: Path) -> int:
    """1 where a limit ended the run before what was asked for, else 0."""
    from raysim.cli.summary import largest_error_percent
    from raysim.quantities import ray_validity, reverberation_time

    settings = result.settings
    if settings.rays is not None:
        missed = "" if result.rays >= settings.rays else f"{settings.rays:,} rays a source"
        reached = f"there are {result.rays:,} rays a source"
    else:
        t20 = reverberation_time(result, everywhere=True)  # gauges the rays in small rooms too
        worst = largest_error_percent(t20, ray_validity(result))
        missed = f"{settings.error_percent:g} %" if worst > settings.error_percent else ""
        reached = f"T20 has a standard error of up to {worst:.1f} %"
    if not missed:
        return 0
    click.echo(
        f"raysim: {reached}, not the {missed} asked for; go on with: "
        f"raysim run {scene_path} -o {output} --extend {output}",
        err=True,
    )
    return 1
