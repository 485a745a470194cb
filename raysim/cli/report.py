"""`raysim report`: the page, its pictures and its tables."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("result", metavar="RESULT.h5", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    "folder",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Folder to write into; default: the result's name with '_report', here.",
)
def report(result: Path, folder: Path | None) -> None:
    """Write report.html and its pictures and tables into a folder.

    The page holds everything it shows and opens without a network; so does room.html, the room
    in 3-D with its maps. Computes no acoustics.

    \b
    Example:
      raysim report control_room.h5 -o control_room_report
    """
    from raysim.report.page import write_report
    from raysim.results.store import load_result

    folder = folder or Path(f"{result.stem}_report")
    for path in write_report(load_result(result), folder):
        click.echo(f"wrote {path}")
    click.echo(f"next: open {folder / 'report.html'} in a browser")
