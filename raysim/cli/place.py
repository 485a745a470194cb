"""`raysim place`: where loudspeakers and seat go."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from raysim.cli.destination import folder_option
from raysim.cli.doubts import say_doubts
from raysim.errors import ResultError, SceneError, SettingsError
from raysim.files import why_not_written, write_whole
from raysim.units import length_m

if TYPE_CHECKING:
    from raysim.place.asking import Question
    from raysim.place.checking import Checked
    from raysim.place.limits import Limits, Weights
    from raysim.place.search import Found

MARK = "# Moved by raysim place."
TERMS_NOTE = (
    "terms are of the room as stated, nothing in them is sampled; the aim is their mean in "
    "plausible rooms, ± its standard deviation over them"
)
Pair = tuple[str, str]


@click.command()
@click.argument("scene_path", metavar="SCENE", type=click.Path(path_type=Path))
@folder_option("Folder of pictures and table; default: the scene's name with _place, here.")
@click.option(
    "--front", "fronts", multiple=True, metavar="WALL", help="Only this wall; repeatable."
)
@click.option("--seat", nargs=2, metavar="LO HI", help="Head from the front wall: 1.2 1.8.")
@click.option("--off-wall", nargs=2, metavar="LO HI", help="Loudspeakers from the front wall.")
@click.option("--base", nargs=2, metavar="LO HI", help="Loudspeakers apart from each other.")
@click.option("--listener", metavar="NAME", help="Receiver that moves; default: the first.")
@click.option(
    "--weight", "weights", multiple=True, metavar="TERM=X", help="bass, notch, early or sides."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of the plausible rooms.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def place(
    scene_path: Path,
    folder: Path | None,
    fronts: tuple[str, ...],
    seat: Pair | None,
    off_wall: Pair | None,
    base: Pair | None,
    listener: str | None,
    weights: tuple[str, ...],
    seed: int,
    as_json: bool,
) -> None:
    """Search where a pair of loudspeakers, seat and desk go in SCENE.

    By the evenness of the bass over the head zone from 20 to 200 Hz, the worst boundary notch,
    early reflections, and left against right; in the room as stated and in plausible ones.
    Writes a scene with the new places beside SCENE, unless nothing is better than now.

    \b
    Examples:
      raysim place my_room/scene.toml
      raysim place my_room/scene.toml --front front --seat 1.2m 1.8m
    """
    from raysim.cli.progress import shown_progress
    from raysim.place.asking import ask
    from raysim.place.checking import check
    from raysim.place.search import search
    from raysim.solvers.run import Progress

    question = ask(
        scene_path, _limits(fronts, seat, off_wall, base), _weights(weights), listener, seed
    )
    folder = folder or Path(f"{scene_path.stem}_place")
    target = scene_path.with_name(f"{scene_path.stem}_placed.toml")
    _refuse_foreign(target)
    say_doubts(question.scene)
    with shown_progress() as show:

        def told(stage: str, fraction: float) -> None:
            show(Progress(stage, fraction))

        found = search(question.asked, told)
        checked = check(question, found, told)
    written = _write(question, found, checked, folder, target)
    if as_json:
        from raysim.place.words import content

        click.echo(json.dumps(content(question, found, checked), ensure_ascii=False, indent=2))
        return
    _print(question, found, checked)
    for path in written:
        click.echo(f"wrote {path}")
    if target in written:
        click.echo(f"next: raysim run {target}")


def _limits(
    fronts: tuple[str, ...], seat: Pair | None, off_wall: Pair | None, base: Pair | None
) -> Limits:
    from raysim.place.limits import Limits

    given = {"seat": seat, "off-wall": off_wall, "base": base}
    lengths = {
        f"{name.replace('-', '_')}_m": (_length(name, pair[0]), _length(name, pair[1]))
        for name, pair in given.items()
        if pair is not None
    }
    return replace(Limits(fronts=fronts), **lengths)  # type: ignore[arg-type]


def _length(option: str, typed: str) -> float:
    try:
        return length_m(typed)
    except ValueError as error:
        raise SettingsError(f"--{option}: {error}") from None


def _weights(typed: tuple[str, ...]) -> Weights:
    from raysim.place.limits import Weights

    known = list(vars(Weights()))
    given = {}
    for one in typed:
        term, _, value = one.partition("=")
        try:
            given[term] = float(value)
        except ValueError:
            raise SettingsError(f"--weight: '{one}' is no weight; write bass=2") from None
        if term not in known:
            raise SettingsError(
                f"--weight: there is no term '{term}'; there are {', '.join(known)}"
            )
    return Weights(**given)


def _refuse_foreign(target: Path) -> None:
    """A scene of that name that isn't ours is left alone."""
    if target.exists() and not target.read_bytes().startswith(MARK.encode()):
        raise SceneError(
            f"{target}: exists and was not written by this command; rename it, it is left alone"
        )


def _write(
    question: Question, found: Found, checked: Checked, folder: Path, target: Path
) -> list[Path]:
    from raysim.place.asking import moved_text
    from raysim.place.words import keeps, rows
    from raysim.report.placing import pictures, table_csv

    shown = dict(rows(found))
    files = {
        **pictures(question.scene, found, question.asked.desk),
        "layouts.csv": table_csv(found),
    }
    written = []
    path = folder
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            path = folder / name
            write_whole(path, data)
            written.append(path)
        if not keeps(found, checked):
            path = target
            text = f"{MARK} What it was: {question.scene.path}\n"
            text += moved_text(question, shown["best"].layout)
            write_whole(target, text.encode("utf-8"))
            written.append(target)
    except OSError as error:
        raise ResultError(why_not_written(path, error)) from None
    return written


def _print(question: Question, found: Found, checked: Checked) -> None:
    from raysim.cli.paper import say_item
    from raysim.place.words import notes, rows, verdict, where

    click.echo(verdict(found, checked))
    click.echo("")
    heads = f"{'bass':>5} {'notch':>6} {'early':>6} {'l/r':>5} {'aim ± spread':>14}"
    click.echo(f"{'dB':15} {heads}")
    for name, one in rows(found):
        terms = one.terms
        click.echo(
            f"{name:15} {terms.bass_db:5.1f} {terms.notch_db:6.1f} {terms.early_db:6.1f} "
            f"{terms.sides_db:5.1f} {one.mean_db:8.1f} ± {one.aims_db.std(ddof=1):.1f}"
        )
    click.echo("")
    for name, one in rows(found):
        click.echo(f"{name}: {where(one.layout)}")
    desk = "" if question.asked.desk is None else ", desk in place"
    off = max(
        abs(checked.best_db - found.best.terms.bass_db),
        abs(checked.current_db - found.current.terms.bass_db),
    )
    click.echo(
        f"\nbass by the full solution{desk}: best {checked.best_db:.1f}, "
        f"now {checked.current_db:.1f} dB; so the column is right to {off:.1f} dB"
    )
    say_item(TERMS_NOTE)
    for note in notes(question, found):
        say_item(note)
