"""`raysim support`: what pads, springs or a platform under a loudspeaker do."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import click
import numpy as np
from rich.table import Table

from raysim.bands import band_name
from raysim.cli.paper import console
from raysim.errors import SettingsError
from raysim.theory.support import (
    DAMPING,
    DYNAMIC_RATIO,
    DYNAMIC_SOURCE,
    GRAVITY,
    LINEAR_STRAIN,
    isolates_above_hz,
    pad_stiffness_n_m,
    resonance_hz,
    static_deflection_m,
    transmissibility,
)
from raysim.units import length_m, mass_kg

BANDS_HZ = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0)
LARGEST_DEFLECTION_M = 0.2
LARGEST_STRAIN = 0.5
STEPS = 201
LIMITS = (
    "It holds for a rigid, heavy floor: a hollow desk, a shelf or a floor on joists moves with it, "
    "and then less or more is gained. At high frequency waves within the support let more through "
    "than this says.",
    "It is about what goes through the feet. Sound through the air isn't changed, and that is the "
    "larger part of what a neighbour hears: a support won't cure a neighbour's bass.",
    "Caution: a loudspeaker on something soft tips more easily. Spread the load evenly, stay "
    "within what the maker of the support allows, and secure tall or raised cabinets against "
    "toppling, above all where there are children; what hangs or stands overhead is for licensed "
    "people.",
)


Reader = Callable[[click.Context, click.Parameter, str | None], float | None]


def _amount(read: Callable[[str], float]) -> Reader:
    """Callback of an option that takes a number with a unit."""

    def check(context: click.Context, parameter: click.Parameter, text: str | None) -> float | None:
        if text is None:
            return None
        try:
            amount = read(text)
        except ValueError as error:
            raise click.BadParameter(str(error), context, parameter) from None
        if not amount > 0:
            raise click.BadParameter(f"{text} is not more than 0", context, parameter)
        return amount

    return check


MORE_THAN_0 = click.FloatRange(min=0, min_open=True)


@click.command(short_help="Resonance and isolation of pads and springs.")
@click.option(
    "--deflection",
    metavar="LENGTH",
    callback=_amount(length_m),
    help="How far it sinks under the loudspeaker: 2mm.",
)
@click.option("--mass", metavar="MASS", callback=_amount(mass_kg), help="Of the loudspeaker: 12kg.")
@click.option("--stiffness", type=MORE_THAN_0, help="Of one spring or pad, in N/mm.")
@click.option("--modulus", type=MORE_THAN_0, help="Young's modulus of one pad, in MPa.")
@click.option("--area", type=MORE_THAN_0, help="Of one pad, in cm2.")
@click.option("--thickness", metavar="LENGTH", callback=_amount(length_m), help="Of one pad: 10mm.")
@click.option("--count", type=click.IntRange(min=1), default=4, show_default=True, help="Of pads.")
@click.option(
    "--dynamic",
    type=(click.FloatRange(min=1), click.FloatRange(min=1)),
    metavar="LO HI",
    default=DYNAMIC_RATIO,
    show_default=True,
    help="Stiffness in motion over that at rest: " + DYNAMIC_SOURCE + ".",
)
@click.option(
    "--damping",
    type=click.FloatRange(0.001, 1),
    default=DAMPING,
    show_default=True,
    help="Ratio to critical damping: steel 0.01, rubber 0.05, foam 0.1 to 0.2 (common practice).",
)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def support(
    deflection: float | None,
    mass: float | None,
    stiffness: float | None,
    modulus: float | None,
    area: float | None,
    thickness: float | None,
    count: int,
    dynamic: tuple[float, float],
    damping: float,
    as_json: bool,
) -> None:
    """Resonance and isolation of pads, springs or a platform under a loudspeaker.

    Measure how far the support sinks when the loudspeaker is put on it, or give the
    loudspeaker's mass and what the support is made of.

    \b
    Examples:
      raysim support --deflection 2mm
      raysim support --mass 12kg --stiffness 15 --count 4 --dynamic 1 1
      raysim support --mass 12kg --modulus 0.5 --area 20 --thickness 15mm
    """
    pad = (modulus, area, thickness)
    sinks, doubt = _deflection_m(deflection, mass, stiffness, pad, count)
    low, high = sorted(dynamic)
    resonance = resonance_hz(sinks, [low, high])
    between = resonance_hz(sinks, np.geomspace(low, high, STEPS))
    passed = transmissibility(np.array(BANDS_HZ)[:, None], between, damping)
    passed_db = 20 * np.log10(np.stack([passed.min(axis=1), passed.max(axis=1)], axis=1))
    if as_json:
        content = {
            "deflection_m": sinks,
            "resonance_hz": resonance.tolist(),
            "isolates_above_hz": isolates_above_hz(resonance).tolist(),
            "dynamic_ratio": [low, high],
            "damping": damping,
            "bands_hz": BANDS_HZ,
            "force_on_floor_db": passed_db.tolist(),
            "doubt": doubt,
            "limits": LIMITS,
        }
        click.echo(json.dumps(content, ensure_ascii=False, indent=2))
        return
    _print(sinks, mass, (low, high), resonance, passed_db, damping)
    for sentence in [doubt, *LIMITS] if doubt else LIMITS:
        click.echo(f"- {sentence}")


def _deflection_m(
    deflection: float | None,
    mass: float | None,
    stiffness: float | None,
    pad: tuple[float | None, float | None, float | None],
    count: int,
) -> tuple[float, str]:
    """How far the support sinks, and a doubt about it."""
    modulus, area, thickness = pad
    ways = [deflection is not None, stiffness is not None, any(v is not None for v in pad)]
    if sum(ways) != 1:
        raise SettingsError(
            "support: give one of --deflection 2mm; --mass and --stiffness; "
            "or --mass, --modulus, --area and --thickness"
        )
    doubt = ""
    if deflection is None:
        if mass is None:
            raise SettingsError("support: --mass is missing; give that of the loudspeaker, as 12kg")
        if stiffness is None:
            if modulus is None or area is None or thickness is None:
                raise SettingsError("support: a pad needs --modulus, --area and --thickness")
            each = pad_stiffness_n_m(1e6 * modulus, 1e-4 * area, thickness)
        else:
            each = 1e3 * stiffness
        deflection = static_deflection_m(mass, count * each)
        squeezed = deflection / thickness if thickness is not None else 0.0
        if squeezed > LARGEST_STRAIN:
            raise SettingsError(
                f"support: the pads would be squeezed by {100 * squeezed:.0f} % of their "
                "thickness; give larger, stiffer or more of them (--area, --modulus, --count)"
            )
        if squeezed > LINEAR_STRAIN:
            doubt = (
                f"The pads are squeezed by {100 * squeezed:.0f} % of their thickness; beyond "
                f"{100 * LINEAR_STRAIN:.0f} % they stiffen, so measure how far they sink."
            )
    if deflection > LARGEST_DEFLECTION_M:
        raise SettingsError(
            f"support: it would sink {1000 * deflection:.0f} mm, which no support does; "
            "check units: --deflection 2mm, --stiffness in N/mm, --modulus in MPa, --area in cm2"
        )
    return deflection, doubt


def _print(
    sinks: float,
    mass: float | None,
    dynamic: tuple[float, float],
    resonance: Any,
    passed_db: Any,
    damping: float,
) -> None:
    load = f" under {mass:g} kg ({mass * GRAVITY / sinks / 1000:.3g} N/mm)" if mass else ""
    click.echo(
        f"Sinks {1000 * sinks:.2g} mm{load}: resonance {_span(resonance, 'Hz')}"
        f" (stiffness in motion {_span(dynamic, 'times')} that at rest, damping {damping:g})"
    )
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("at")
    table.add_column("force on the floor, dB", justify="right")
    for band, levels in zip(BANDS_HZ, passed_db, strict=True):
        table.add_row(band_name(band), _span(levels, "", "+.0f").strip())
    console().print(table)
    peak = 20 * np.log10(transmissibility(1.0, 1.0, damping))
    above = isolates_above_hz(resonance)
    click.echo(
        f"- It isolates above {_span(above, 'Hz')}, and the more the higher; below that it "
        f"isolates nothing, and at the resonance {peak:.0f} dB more get through than without it."
    )


def _span(values: Any, unit: str, form: str = ".2g") -> str:
    low, high = (
        f"{v:{form}}".replace("-", "−").replace("+0", "0").replace("−0", "0") for v in values
    )
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"
