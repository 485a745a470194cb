"""`raysim plan`: what to put up where, within a budget."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from raysim.cli.destination import ensure_writable
from raysim.cli.doubts import say_doubts
from raysim.errors import ResultError

if TYPE_CHECKING:
    from raysim.plan.catalogue import Catalogue
    from raysim.plan.conduct import Plan
    from raysim.plan.mistakes import Warned
    from raysim.results.data import Result
    from raysim.scene.workshop import Workshop
    from raysim.settings import Settings


@click.command()
@click.argument("scene_path", metavar="SCENE", type=click.Path(path_type=Path))
@click.option(
    "--catalogue",
    "catalogue_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="What may be bought or is there; default: the scene's name with _catalogue.toml.",
)
@click.option(
    "-o",
    "--output",
    metavar="PLAN.toml",
    type=click.Path(path_type=Path),
    help="Scene file of the plan; its result goes beside it. Default: the scene's name with _plan.",
)
@click.option(
    "--budget", multiple=True, type=float, metavar="SUM", help="Again for the end of each phase."
)
@click.option("--count", type=int, metavar="N", help="Things to put up at most.")
@click.option("--weight", "weight_kg", type=float, metavar="KG", help="Of all together.")
@click.option("--depth", "depth_m", type=float, metavar="M", help="From the wall at most.")
@click.option("--no-drilling", is_flag=True, help="Only what stands or is glued.")
@click.option("--candidates", type=int, default=60, metavar="N", help="Computed; default 60.")
@click.option(
    "--rays", type=int, default=32768, metavar="N", help="A source and trial; default 32768."
)
@click.option("--error", type=float, default=2.0, metavar="PERCENT", help="Of the final result.")
@click.option("--seed", type=int, default=1, metavar="N", help="Same seed, same plan; default 1.")
@click.option("--threads", type=int, metavar="N", help="Default: all cores. Changes no number.")
@click.option("--bass/--no-bass", default=False, help="Let the bass decide too.")
@click.option("--no-result", is_flag=True, help="Write the scene file only.")
@click.option("--dismiss", multiple=True, metavar="NAME", help="A warning not to show again.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def plan(
    scene_path: Path,
    catalogue_path: Path | None,
    output: Path | None,
    candidates: int,
    rays: int,
    error: float,
    seed: int,
    threads: int | None,
    bass: bool,
    no_result: bool,
    dismiss: tuple[str, ...],
    as_json: bool,
    **limits: Any,
) -> int:
    """Choose treatments for SCENE from a catalogue, and say where to stop.

    Candidates are ranked by the room's own maps; exact variants on one trace decide. Writes a
    scene file with the plan as variant 'plan', and a result of it with a seed of its own, which
    'raysim compare' and 'raysim report' take.

    \b
    Examples:
      raysim plan linden.toml --budget 600 --no-drilling
      raysim plan linden.toml --catalogue shop.toml --budget 300 --budget 900
    """
    from raysim.errors import SceneError
    from raysim.plan.catalogue import refuse_as_scene
    from raysim.plan.mistakes import mistakes
    from raysim.plan.written import written
    from raysim.scene.workshop import Workshop
    from raysim.settings import Settings

    if candidates < 1:
        raise SceneError(f"candidates: {candidates} is not more than 0; give 1 or more")
    final = Settings(error_percent=error, seed=seed + 1, threads=threads, bass=bass)
    refuse_as_scene(scene_path)
    workshop = Workshop(scene_path)
    catalogue = _catalogue(scene_path, catalogue_path, dismiss, limits)
    output = output or Path(f"{scene_path.stem}_plan.toml")
    _ensure_free(output, scene_path)
    _ensure_found(output, scene_path, workshop.scene.text)
    result_path = output.with_suffix(".h5")
    if not no_result:
        ensure_writable(result_path)
    say_doubts(workshop.scene)
    made = _made(workshop, catalogue, rays, seed, candidates, threads, bass)
    warned = mistakes(workshop, catalogue, [step.site for step in made.kept])
    text = written(workshop, made)
    _write(output, text.text)
    variants = text.variants
    result = _result(output, variants, final, result_path) if variants and not no_result else None
    lines = _lines(made, warned, output, variants, result)
    if result is None:
        lines.append(f"wrote {output}")
    else:
        lines.append(f"wrote {output} and {result_path}")
        lines.append(f"next: raysim compare {result_path} and raysim report {result_path}")
    if as_json:
        click.echo(json.dumps(_content(made, variants, output, lines), indent=2))
    else:
        click.echo("\n".join(lines))
    return 0


def _catalogue(
    scene_path: Path, path: Path | None, dismiss: tuple[str, ...], limits: dict[str, Any]
) -> Catalogue:
    """The catalogue with what the command line adds to it."""
    from dataclasses import replace

    from raysim.plan.catalogue import load_catalogue, with_limits

    found = load_catalogue(path or scene_path.with_name(f"{scene_path.stem}_catalogue.toml"))
    return replace(
        found,
        limits=with_limits(found.limits, **limits),
        dismissed=(*found.dismissed, *dismiss),
    )


def _made(
    workshop: Workshop,
    catalogue: Catalogue,
    rays: int,
    seed: int,
    candidates: int,
    threads: int | None,
    bass: bool,
) -> Plan:
    from raysim.cli.progress import shown_progress
    from raysim.plan.conduct import make_plan
    from raysim.solvers.run import Progress

    with shown_progress() as show:
        return make_plan(
            workshop,
            catalogue,
            catalogue.limits,
            rays,
            seed,
            candidates,
            threads,
            lambda stage, fraction: show(Progress(stage, fraction)),
            bass,
        )


def _write(output: Path, text: str) -> None:
    from raysim.files import why_not_written, write_whole

    try:
        write_whole(output, text.encode("utf-8"))
    except OSError as fault:
        raise ResultError(why_not_written(output, fault)) from None


def _result(
    output: Path, variants: tuple[str, ...], settings: Settings, result_path: Path
) -> Result:
    """Compute the plan with rays that the search hasn't seen, and save it."""
    from raysim import save
    from raysim.cli.progress import shown_progress
    from raysim.scene.read import load_scene
    from raysim.solvers.run import run

    with shown_progress() as show:
        result = run(load_scene(output), settings, progress=show, variants=["base", *variants])
    save(result, result_path)
    return result


def _lines(
    made: Plan,
    warned: Sequence[Warned],
    output: Path,
    variants: tuple[str, ...],
    result: Result | None,
) -> list[str]:
    """The plan in words; how it turned out where a result was computed."""
    from raysim.plan import words
    from raysim.scene.read import load_scene

    scene = load_scene(output)
    lines = [*words.nothing_words(made, warned), *words.plan_words(made, scene.title)]
    lines += words.stop_words(made)
    if variants:
        name = variants[-1]
        lines += words.balance_words(made, result, name)
        if result is not None:
            lines += words.remaining_words(result, name, words.coverable(made))
            lines += words.bass_words(result, name)
        lines += words.aim_bass_words(made)
    lines += words.aim_words(made, scene)
    lines += words.left_out_words(made)
    lines += words.warning_words(warned)
    if variants:
        lines += words.caution_words(scene, variants[-1])
    lines.append(f"{made.candidates} candidates, {made.evaluated} sets computed")
    return lines


def _content(
    made: Plan, variants: tuple[str, ...], output: Path, lines: list[str]
) -> dict[str, Any]:
    bench = made.bench
    off = [state.outcome(bench.by_column) for state in made.states]
    return {
        "scene": str(output),
        "variants": list(variants),
        "stop": made.stop,
        "steps": [
            {
                "item": step.site.item.name,
                "where": list(step.site.where),
                "phase": step.phase,
                "cost": step.site.cost,
                "spent": step.spent,
                "gain_steps": step.gain,
                "gain_error_steps": step.error,
                "is_kept": k < made.stop,
            }
            for k, step in enumerate(made.steps)
        ],
        "weights": {c.part: bench.weights.of(c.part) for c in bench.columns},
        "aim": [
            {
                "part": column.part,
                "words": column.words,
                "off_steps": [float(state.off[c]) for state in made.states],
                "off_error_steps": [float(state.off_error[c]) for state in made.states],
            }
            for c, column in enumerate(bench.columns)
        ],
        "off_aim_steps": [one.off for one in off],
        "off_aim_error_steps": [one.standard_error for one in off],
        "left_out": made.left_out,
        "candidates": made.candidates,
        "sets": made.evaluated,
        "words": lines,
    }


def _ensure_found(output: Path, scene_path: Path, text: str) -> None:
    """A scene names its meshes from where it is, so a plan of it must be there too."""
    from raysim.scene.lines import parse
    from raysim.scene.text import named_files

    for key, name in named_files(parse(text)):
        if not (output.parent / name).is_file():
            raise ResultError(
                f"{output}: the scene names '{name}' ({'.'.join(key)}), which isn't found from "
                f"there; write the plan beside it, with -o {scene_path.parent / output.name}"
            )


def _ensure_free(output: Path, scene_path: Path) -> None:
    """The scene itself is never written over, nor what isn't a plan."""
    from raysim.plan.written import HEADING

    if output.resolve() == scene_path.resolve():
        raise ResultError(f"{output}: is the scene itself; choose another name with -o")
    if output.suffix != ".toml":
        raise ResultError(f"{output}: a plan is a scene file; give it a name that ends with .toml")
    if output.is_dir() or not output.parent.is_dir():
        raise ResultError(f"{output}: its folder doesn't exist, or it is one; choose another place")
    if output.exists() and HEADING not in output.read_text("utf-8", errors="replace"):
        raise ResultError(
            f"{output}: exists and is not a plan, so it is left alone; choose another name with -o"
        )
