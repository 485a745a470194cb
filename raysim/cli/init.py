"""`raysim init`: a starter scene from a tape measure."""

from __future__ import annotations

from pathlib import Path

import click

from raysim.errors import SettingsError
from raysim.units import length_m


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--size",
    nargs=3,
    metavar="L W H",
    help="Length (front to rear), width and height: 3.42, 342cm, 11ft2in.",
)
@click.option("--survey", is_flag=True, help="Also write a one-page sheet of what to measure.")
def init(folder: Path, size: tuple[str, str, str] | None, survey: bool) -> None:
    """Write a commented starter scene and a catalogue of absorbers into DIR.

    The usual listening layout: front on a short side, two loudspeakers and a seat in an
    equilateral triangle. Existing files are never overwritten.

    \b
    Example:
      raysim init my_room --size 13ft9in 11ft2in 7ft10in --survey
    """
    from raysim.scene.starter import write_starter
    from raysim.scene.starter_catalogue import CATALOGUE_NAME

    size_m = None if size is None else _size_m(size)
    for path in write_starter(folder, size_m, survey):
        click.echo(f"wrote {path}")
    scene = folder / "scene.toml"
    click.echo(f"next: edit {scene}, then type: raysim check {scene}")
    click.echo(f"then: raysim place {scene}  (where things go, before you buy any)")
    click.echo(f"      raysim run {scene} -o room.h5")
    click.echo("      raysim report room.h5")
    click.echo(f"      raysim plan {scene}  (what to buy, from {folder / CATALOGUE_NAME})")


def _size_m(size: tuple[str, str, str]) -> tuple[float, float, float]:
    lengths = []
    for name, typed in zip(("length", "width", "height"), size, strict=True):
        try:
            lengths.append(length_m(typed))
        except ValueError as error:
            raise SettingsError(f"--size: {name}: {error}") from None
    return lengths[0], lengths[1], lengths[2]
