"""`raysim report`: the page, its pictures and its tables."""

from __future__ import annotations

from pathlib import Path

import click

from raysim.cli.destination import folder_option


@click.command()
@click.argument("result", metavar="RESULT.h5", type=click.Path(path_type=Path))
@folder_option("Folder to write into; default: the result's name with '_report', here.")
@click.option(
    "--tone",
    "tones_hz",
    metavar="HZ",
    type=float,
    multiple=True,
    help="Map the bass at this frequency too; may be given again.",
)
def report(result: Path, folder: Path | None, tones_hz: tuple[float, ...]) -> None:
    """Write report.html and its pictures and tables into a folder.

    The page holds everything it shows and opens without a network; so does room.html, the room
    in 3-D with its maps. Computes no acoustics.

    \b
    Examples:
      raysim report control_room.h5 -o control_room_report
      raysim report control_room.h5 --tone 53 --tone 71
    """
    from raysim.report.page import write_report
    from raysim.results.store import load_result

    folder = folder or Path(f"{result.stem}_report")
    for path in write_report(load_result(result), folder, tones_hz):
        click.echo(f"wrote {path}")
    click.echo(f"next: open {folder / 'report.html'} in a browser")
