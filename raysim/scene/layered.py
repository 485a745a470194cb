"""Materials computed from their layers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.air import Climate
from raysim.errors import SceneError
from raysim.scene.data import Material
from raysim.scene.schema import MaterialSection
from raysim.surfaces.construction import absorption_range, octave_absorption
from raysim.surfaces.grammar import parse_layers
from raysim.surfaces.layers import Fabric, Porous
from raysim.surfaces.table import COMPUTED, load_table
from raysim.surfaces.validity import doubts, refused

Array = NDArray[np.float64]

# Rows of the table whose scattering a construction has unless it is given.
SOFT_FRONT, HARD_FRONT = "mineral wool 50 mm", "wood panelling on battens"


def layered_material(
    name: str,
    section: MaterialSection,
    bands_hz: Sequence[float],
    climate: Climate,
    scattering: Array | None,
    limits: tuple[Array, Array] | None,
) -> Material:
    """Material of `section.layers`: random-incidence absorption of each octave, and its range.

    Parameters
    ----------
    scattering : (bands,) float, optional
        Otherwise that of a porous panel with edges, or of a smooth plane for hard fronts.
    limits : pair of (bands,) float, optional
        Range given in the scene.

    Raises
    ------
    SceneError
        Layers that can't be read or built, a model that refuses a band, or a range beside the
        absorption; each begins with its key.
    """
    where = f"materials.{name}.layers"
    construction = parse_layers(section.layers or (), where)
    beyond = refused(construction, bands_hz, climate)
    if beyond:
        listed = ", ".join(f"{band:g}" for band in beyond)
        raise SceneError(
            f"{where}: Delany and Bazley's model doesn't hold at {listed} Hz here; leave out "
            "'by delany-bazley', or ask for fewer bands"
        )
    absorption = octave_absorption(construction, bands_hz, climate)
    low, high = limits or absorption_range(construction, bands_hz, climate)
    if (low > absorption + 1e-9).any() or (high < absorption - 1e-9).any():
        computed = ", ".join(f"{value:.2f}" for value in absorption)
        raise SceneError(
            f"materials.{name}.range: the absorption computed from the layers, {computed}, lies "
            "outside it; give [low, high] around it"
        )
    source = COMPUTED + ", ".join(construction.texts)
    if section.reference:
        source += f"; {section.reference}"
    if scattering is None:
        soft = isinstance(construction.layers[0], Porous | Fabric)
        entry = load_table()[SOFT_FRONT if soft else HARD_FRONT]
        scattering = entry.at(entry.scattering, bands_hz)
        source += f"; scattering not given, taken as {entry.scattering_basis}"
    return Material(name, absorption, scattering, low, high, source, construction)


def layer_doubts(
    materials: Iterable[Material], bands_hz: Sequence[float], climate: Climate
) -> list[str]:
    """Where computed absorption is stretched, one sentence each, material by material."""
    computed = {m.name: m.construction for m in materials if m.construction is not None}
    return [
        f"material '{name}': {doubt}"
        for name, construction in computed.items()
        for doubt in doubts(construction, bands_hz, climate)
    ]
