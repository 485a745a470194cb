"""`raysim materials layers`: what a construction absorbs, alone or beside others."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray
from rich.table import Table

from raysim.air import Climate
from raysim.bands import band_name
from raysim.cli.paper import console
from raysim.errors import RaysimError, SceneError
from raysim.files import why_not_written, write_whole
from raysim.surfaces.assessment import Assessment, Bands, SingleNumbers, assess
from raysim.surfaces.construction import Construction, absorption_by_angle
from raysim.surfaces.grammar import EXAMPLES, parse_layers
from raysim.surfaces.layers import Gap, Porous, range_basis
from raysim.surfaces.sentences import cautions, in_words

Array = NDArray[np.float64]
NEXT = "/"


def _written() -> str:
    """How each layer is written, for the help."""
    return "\n".join(f"  {example}" for example in EXAMPLES.values())


@click.command(
    "layers",
    short_help="Compute what LAYERS on a rigid wall absorb.",
    epilog=f"\b\nLayers, front first; docs/formats/scene.md explains each:\n{_written()}",
)
@click.argument("layers", nargs=-1, required=True)
@click.option("--thirds", is_flag=True, help="Third-octaves instead of octaves.")
@click.option(
    "--angle",
    type=click.FloatRange(0, 89),
    metavar="DEGREES",
    help="A column for this angle from the normal.",
)
@click.option("--impedance", is_flag=True, help="Columns for the surface impedance re rho0 c0.")
@click.option("--picture", type=click.Path(path_type=Path), metavar="FILE.png")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def show_layers(
    layers: tuple[str, ...],
    thirds: bool,
    angle: float | None,
    impedance: bool,
    picture: Path | None,
    as_json: bool,
) -> None:
    """Compute what LAYERS on a rigid wall absorb, front first; a lone / begins another.

    \b
    Examples:
      raysim materials layers "porous 100mm 12000" "gap 50mm"
      raysim materials layers "porous 50mm 12000" / "porous 50mm 12000" "gap 50mm"
    """
    constructions = _split(layers)
    if picture is not None:
        _check_picture(picture, len(constructions))
    assessments = [assess(one) for one in constructions]
    if picture is not None:
        _draw(picture, assessments)
    shown = [one.thirds if thirds else one.octaves for one in assessments]
    if as_json:
        content = [_plain(one, bands, angle) for one, bands in zip(assessments, shown, strict=True)]
        click.echo(json.dumps(content, ensure_ascii=False, indent=2))
        return
    if len(assessments) > 1:
        _side_by_side(assessments, shown)
    for number, (one, bands) in enumerate(zip(assessments, shown, strict=True), 1):
        label = f"{number}  " if len(assessments) > 1 else ""
        click.echo(f"{label}{one.name}: {_depth(one)}")
        if len(assessments) == 1 or angle is not None or impedance:
            console().print(_table(one, bands, angle, impedance))
            click.echo(_headings(one, impedance))
        _say(one)
    for line in cautions(constructions):
        click.echo(line)
    click.echo(f"range: {range_basis(layer for one in constructions for layer in one.layers)}")
    if picture is not None:
        click.echo(f"wrote {picture}")


def _split(words: Sequence[str]) -> list[Construction]:
    alone = [word for word in words if word[:1].isdigit()]
    if alone:
        raise SceneError(
            f"layers: '{alone[0]}' stands alone; put each layer in quotes, \"porous 100mm 12000\""
        )
    groups: list[list[str]] = [[]]
    for word in words:
        if word == NEXT:
            groups.append([])
        else:
            groups[-1].append(word)
    made, complaints = [], []
    for number, group in enumerate(groups, 1):
        try:
            made.append(parse_layers(group, f"layers {number}" if len(groups) > 1 else "layers"))
        except SceneError as error:
            complaints += error.complaints
    if complaints:
        raise SceneError(complaints)
    return made


def _depth(one: Assessment) -> str:
    behind = "on a rigid wall" if one.construction.backing == "rigid" else "free air behind"
    return f"{1e3 * one.construction.depth:.4g} mm deep, {behind}"


def _side_by_side(assessments: Sequence[Assessment], shown: Sequence[Bands]) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("band", justify="right")
    for number in range(1, len(assessments) + 1):
        table.add_column(str(number), justify="right")
        table.add_column("range", justify="right")
    for b, band in enumerate(shown[0].bands_hz):
        cells = [text for bands in shown for text in (_number(bands.random[b]), _range(bands, b))]
        table.add_row(band_name(band), *cells)
    console().print(table)
    click.echo(
        "absorption of sound from all sides (0 to 90 degrees), surfaces without edges, air of 20 °C"
    )


def _table(one: Assessment, bands: Bands, angle: float | None, impedance: bool) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    titles = ["band", "normal", "from all sides", "range", "chamber"]
    columns: list[list[str]] = []
    if angle is not None:
        titles.append(f"{angle:g} degrees")
        columns.append([_number(value) for value in _at_angle(one, bands, angle)])
    if impedance:
        titles += ["resistance", "reactance"]
        columns += [[_number(value) for value in part] for part in _parts(bands)]
    for title in titles:
        table.add_column(title, justify="right")
    for b, band in enumerate(bands.bands_hz):
        table.add_row(
            band_name(band),
            _number(bands.normal[b]),
            _number(bands.random[b]),
            _range(bands, b),
            _number(bands.chamber[b]),
            *(column[b] for column in columns),
        )
    return table


def _at_angle(one: Assessment, bands: Bands, angle: float) -> Array:
    cosine = [float(np.cos(np.radians(angle)))]
    values = absorption_by_angle(
        one.construction, bands.bands_hz, Climate(), cosine, bands.per_octave
    )
    return np.asarray(values[0])


def _headings(one: Assessment, impedance: bool) -> str:
    said = [
        "Absorption in air of 20 °C; normal: along the normal; from all sides: 0 to 90 degrees",
    ]
    if any(isinstance(x, Porous | Gap) and not x.partitioned for x in one.construction.layers):
        said.append("Sound travels sideways in gaps and porous layers unless 'partitioned'")
    if one.construction.backing == "rigid":
        said.append(
            "Chamber: what a reverberation chamber would read of 3 x 3.6 m, above 1 where sound "
            "bends round its edges"
        )
    if impedance:
        said.append(
            "Resistance, reactance: surface impedance along the normal in the band's middle, "
            "relative to that of air"
        )
    return ".\n".join(said) + "."


def _say(one: Assessment) -> None:
    click.echo(in_words(one.octaves))
    if one.construction.backing == "rigid":
        click.echo(f"as a chamber would read 3 x 3.6 m of it: {_ratings(one.of_chamber)}")
    click.echo(f"as a surface without edges: {_ratings(one.of_surface)}")
    for doubt in one.doubts:
        click.echo(f"doubt: {doubt}")


def _ratings(numbers: SingleNumbers) -> str:
    weighted, nrc, saa = numbers.weighted, numbers.nrc, numbers.saa
    if weighted is None or nrc is None or saa is None:
        return "no single numbers, since bands are missing"
    grade = weighted.absorption_class
    named = f"class {grade}" if grade != "none" else "not classified"
    return f"alpha_w {weighted}, {named} (ISO 11654); NRC {nrc:.2f}, SAA {saa:.2f} (ASTM C423)"


def _number(value: float) -> str:
    return "-" if np.isnan(value) else f"{value:.2f}"


def _range(bands: Bands, b: int) -> str:
    return "-" if np.isnan(bands.low[b]) else f"{bands.low[b]:.2f} to {bands.high[b]:.2f}"


def _parts(bands: Bands) -> tuple[Array, Array]:
    return bands.impedance.real, bands.impedance.imag


def _plain(one: Assessment, bands: Bands, angle: float | None) -> dict[str, Any]:
    def numbers(ratings: SingleNumbers) -> dict[str, Any]:
        weighted = ratings.weighted
        return {
            "alpha_w": weighted and weighted.alpha_w,
            "shape": weighted and weighted.shape,
            "class": weighted and weighted.absorption_class,
            "nrc": ratings.nrc,
            "saa": ratings.saa,
        }

    resistance, reactance = _parts(bands)
    arrays = {
        "absorption_normal": bands.normal,
        "absorption_random": bands.random,
        "absorption_low": bands.low,
        "absorption_high": bands.high,
        "absorption_chamber": bands.chamber,
        "impedance_real": resistance,
        "impedance_imaginary": reactance,
    }
    if angle is not None:
        arrays[f"absorption_at_{angle:g}_degrees"] = _at_angle(one, bands, angle)
    return {
        "layers": list(one.construction.texts),
        "depth_m": one.construction.depth,
        "bands_hz": list(bands.bands_hz),
        "bands_per_octave": bands.per_octave,
        **{
            key: [None if np.isnan(v) else round(float(v), 6) for v in values]
            for key, values in arrays.items()
        },
        "chamber": numbers(one.of_chamber),
        "surface": numbers(one.of_surface),
        "in_words": in_words(one.octaves),
        "doubts": list(one.doubts),
        "cautions": cautions([one.construction]),
    }


def _check_picture(path: Path, count: int) -> None:
    # Loaded only where it is asked for: Matplotlib takes a second, which a table needn't wait for.
    from raysim.report.absorbers import MOST

    if path.suffix.lower() != ".png":
        raise SceneError(f"--picture: '{path}' is not a PNG file; give a name such as foam.png")
    if count > MOST:
        raise SceneError(f"--picture: {count} constructions; draw at most {MOST}")


def _draw(path: Path, assessments: Sequence[Assessment]) -> None:
    from raysim.report.absorbers import picture_of

    try:
        write_whole(path, picture_of(assessments))
    except OSError as error:
        raise RaysimError(why_not_written(path, error)) from None
