"""`raysim check`: what was read, and what a careful reader would doubt."""

from __future__ import annotations

import json
from pathlib import Path

import click

from raysim.scene.shopping import Sum, size_of
from raysim.units import counted

DOUBT = "doubt"


@click.command()
@click.argument("scene_path", metavar="SCENE", type=click.Path(path_type=Path))
@click.option(
    "--bands", metavar="LO HI", type=(float, float), help="Octaves, such as 63 8000, in Hz."
)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def check(scene_path: Path, bands: tuple[float, float] | None, as_json: bool) -> None:
    """Print what raysim understands of SCENE and what may be a mistake. Computes nothing.

    Doubts do not fail: the exit code is 0 unless the scene cannot be simulated (2).

    \b
    Example:
      raysim check control_room.toml
    """
    from raysim.scene.cautions import cautions
    from raysim.scene.check import examine
    from raysim.scene.read import load_scene
    from raysim.scene.shopping import shopping

    scene = load_scene(scene_path, bands=bands)
    findings = examine(scene)
    if as_json:
        content = {
            "scene": str(scene_path),
            "title": scene.title,
            "volume_m3": scene.volume,
            "area_m2": scene.area,
            "triangles": len(scene.mesh.triangles),
            "surfaces": [surface.name for surface in scene.surfaces],
            "sources": [source.name for source in scene.sources],
            "receivers": [receiver.name for receiver in scene.receivers],
            "bands_hz": list(scene.bands_hz),
            "variants": [_variant(total) for total in shopping(scene)],
            "cautions": cautions(scene),
            "findings": [{"kind": one.kind, "sentence": one.sentence} for one in findings],
        }
        click.echo(json.dumps(content, ensure_ascii=False, indent=2))
        return
    doubts = [one.sentence for one in findings if one.kind == DOUBT]
    for one in findings:
        if one.kind != DOUBT:
            click.echo(f"- {one.sentence}")
    number = f"{counted(len(doubts), 'doubt')}:" if doubts else "no doubts"
    click.echo(f"\n{number}")
    for sentence in doubts:
        click.echo(f"? {sentence}")
    warned = cautions(scene)
    if warned:
        click.echo("\ncautions:")
        for sentence in warned:
            click.echo(f"! {sentence}")
    click.echo(f"\nnext: raysim run {scene_path}")


def _variant(total: Sum) -> dict[str, object]:
    """A variant for JSON; None where something isn't known."""
    return {
        "name": total.variant,
        "note": total.note,
        "area_m2": total.area_m2,
        "weight_kg": None if total.unweighed else total.weight_kg,
        "cost": None if total.unpriced else total.cost,
        "treatments": [
            {
                "name": piece.name,
                "kind": piece.kind,
                "where": piece.where,
                "size_m": list(size_of(piece)),
                "thickness_m": piece.thickness_m,
                "gap_m": piece.gap_m,
                "material": item.material,
                "fixing": piece.fixing,
                "weight_kg": piece.weight_kg,
                "cost": piece.cost,
                "phase": piece.phase,
                "owned": piece.owned,
            }
            for item in total.items
            for piece in item.pieces
        ],
    }
