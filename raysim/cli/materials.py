"""`raysim materials`: the table that scenes may name, and what layers absorb."""

from __future__ import annotations

import json
from typing import Any

import click
from rich.table import Table

from raysim.bands import band_name
from raysim.cli.layers import show_layers
from raysim.cli.paper import console
from raysim.errors import SceneError
from raysim.surfaces.table import TABLE_BANDS_HZ, Entry, closest, load_table

MARK, UNMARKED = "*", " "
EXTRAPOLATED = "extrapolated: no source gives this band"


@click.group()
def materials() -> None:
    """Show the table of materials that a scene may name, or compute layers.

    \b
    Examples:
      raysim materials list carpet
      raysim materials show "unknown wall"
      raysim materials layers "porous 100mm 12000" "gap 50mm"
    """


@materials.command("list", short_help="List materials, all or those that hold every WORD.")
@click.argument("words", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def list_materials(words: tuple[str, ...], as_json: bool) -> None:
    """List materials, all or those whose name, description or kind holds every WORD.

    \b
    Example:
      raysim materials list carpet
    """
    entries = [entry for entry in load_table().values() if _has(entry, words)]
    if not entries:
        wanted = " ".join(words)
        near = closest(wanted)
        remedy = f"did you mean '{near}'?" if near else "'raysim materials list' shows all"
        raise SceneError(f"materials: nothing holds '{wanted}'; {remedy}")
    if as_json:
        _print_json([_plain(entry) for entry in entries])
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("name")
    for band in TABLE_BANDS_HZ:
        title = band_name(band).replace(" Hz", "").replace(" kHz", "k")
        table.add_column(f"{title}{UNMARKED}", justify="right")
    table.add_column("known", no_wrap=True)
    for entry in entries:
        marks = [MARK if band in entry.extrapolated_hz else UNMARKED for band in TABLE_BANDS_HZ]
        cells = [f"{value:.2f}{mark}" for value, mark in zip(entry.absorption, marks, strict=True)]
        table.add_row(entry.name, *cells, entry.status)
    console().print(table)
    click.echo(
        "absorption coefficients by octave band in Hz; known: seen in the source, from memory, "
        "computed or by judgement; 'raysim materials show NAME' for ranges and sources"
    )
    if any(entry.extrapolated_hz for entry in entries):
        click.echo(f"{MARK} {EXTRAPOLATED}")


@materials.command("show")
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def show_material(name: str, as_json: bool) -> None:
    """Show one material: coefficients, ranges, and where they come from.

    \b
    Example:
      raysim materials show "unknown wall"
    """
    entry = load_table().get(name)
    if entry is None:
        near = closest(name)
        remedy = f"did you mean '{near}'?" if near else "'raysim materials list' shows all"
        others = [entry.name for entry in load_table().values() if _has(entry, (name,))]
        if len(others) > 1:
            remedy += f" 'raysim materials list {name}' shows {len(others)}"
        raise SceneError(f"materials: no material is named '{name}'; {remedy}")
    if as_json:
        _print_json(_plain(entry))
        return
    click.echo(f"{entry.name}: {entry.description} ({entry.category})")
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("band", "absorption", "range", "scattering"):
        table.add_column(title, justify="right")
    for b, band in enumerate(TABLE_BANDS_HZ):
        table.add_row(
            band_name(band) + (f" {MARK}" if band in entry.extrapolated_hz else ""),
            f"{entry.absorption[b]:.2f}",
            f"{entry.low[b]:.2f} to {entry.high[b]:.2f}",
            f"{entry.scattering[b]:.2f}",
        )
    console().print(table)
    if entry.extrapolated_hz:
        click.echo(f"{MARK} {EXTRAPOLATED}")
    click.echo(f"absorption: {entry.cited}")
    click.echo(f"scattering: {entry.scattering_basis}")
    click.echo(f"mounting: {entry.mounting}")
    click.echo(f"edges: {entry.edge}")
    if entry.note:
        click.echo(f"note: {entry.note}")


materials.add_command(show_layers)


def _has(entry: Entry, words: tuple[str, ...]) -> bool:
    text = f"{entry.name} {entry.description} {entry.category}".lower()
    return all(word.lower() in text for word in words)


def _plain(entry: Entry) -> dict[str, Any]:
    return {
        "name": entry.name,
        "description": entry.description,
        "category": entry.category,
        "bands_hz": list(TABLE_BANDS_HZ),
        "absorption": entry.absorption.tolist(),
        "absorption_low": entry.low.tolist(),
        "absorption_high": entry.high.tolist(),
        "scattering": entry.scattering.tolist(),
        "scattering_basis": entry.scattering_basis,
        "extrapolated_hz": list(entry.extrapolated_hz),
        "source": entry.source,
        "status": entry.status,
        "mounting": entry.mounting,
        "edge": entry.edge,
        "note": entry.note,
    }


def _print_json(content: object) -> None:
    click.echo(json.dumps(content, ensure_ascii=False, indent=2))
