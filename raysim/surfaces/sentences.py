"""What a construction does and what to mind, in words."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.surfaces.assessment import Bands
from raysim.surfaces.construction import Construction
from raysim.surfaces.layers import Fabric, Mass, Perforated, Porous, Slotted

Array = NDArray[np.float64]

# Names of ranges by octave, in Hz.
RANGES = (
    ("bass", (63.0, 125.0), "63 and 125 Hz"),
    ("low mids", (250.0, 500.0), "250 and 500 Hz"),
    ("mids", (1000.0, 2000.0), "1 and 2 kHz"),
    ("highs", (4000.0, 8000.0), "4 and 8 kHz"),
)
SHARES = (
    (0.0, "next to nothing"),
    (0.05, "a twentieth"),
    (0.1, "a tenth"),
    (1 / 6, "a sixth"),
    (0.25, "a quarter"),
    (1 / 3, "a third"),
    (0.4, "two fifths"),
    (0.5, "half"),
    (0.6, "three fifths"),
    (2 / 3, "two thirds"),
    (0.75, "three quarters"),
    (0.8, "four fifths"),
    (0.9, "nine tenths"),
    (0.97, "nearly all"),
)
WELL = 0.8


def in_words(octaves: Bands) -> str:
    """One sentence on bass, low mids, mids and highs, for sound from all sides.

    Parameters
    ----------
    octaves : Bands
        63 Hz to 8 kHz; bands without value are left out.
    """
    parts: list[tuple[str, list[str]]] = []
    for name, bands, listed in RANGES:
        values = [octaves.random[octaves.bands_hz.index(band)] for band in bands]
        shares = list(dict.fromkeys(_share(v) for v in values if not np.isnan(v)))
        if shares:
            amount = " to ".join(shares)
            where = f"the {name} ({listed})"
            if parts and parts[-1][0] == amount:
                parts[-1][1].append(where)
            else:
                parts.append((amount, [where]))
    told = "; ".join(f"{amount} in {' and '.join(where)}" for amount, where in parts)
    return f"Of sound from all sides it takes {told}.{_well(octaves)}"


def cautions(constructions: Iterable[Construction]) -> list[str]:
    """What can hurt someone who builds these, one line each; no line that doesn't apply."""
    layers = [layer for one in constructions for layer in one.layers]
    porous = [layer for layer in layers if isinstance(layer, Porous)]
    foam = any(layer.stuff in ("foam", "") for layer in porous)
    fibre = any(layer.stuff in ("glass wool", "rock wool", "wool", "") for layer in porous)
    said = []
    if foam or any(isinstance(layer, Fabric) for layer in layers):
        said.append(
            "Fire: ask for the reaction-to-fire report (EN 13501-1 or ASTM E84) of the whole "
            "product, with cloth and glue; never line a room with bedding or packing foam; keep "
            "off lamps and heaters; the local code decides."
        )
    if fibre:
        said.append(
            "Fibre: cutting glass or rock wool irritates skin, eyes and airways; wear gloves, "
            "goggles and a filter mask, ventilate, and wrap it on all sides in dense cloth."
        )
    if any(isinstance(layer, Mass | Perforated | Slotted) for layer in layers) or porous:
        said.append(
            "Overhead: fixings rated for the load, into the structure, and a second independent "
            "wire; ask a structural engineer where it is heavy or the ceiling old."
        )
    return said


def _share(value: float) -> str:
    return min(SHARES, key=lambda share: abs(share[0] - value))[1]


def _well(octaves: Bands) -> str:
    """Octaves from which on, or between which, it absorbs well."""
    good = [
        band for band, value in zip(octaves.bands_hz, octaves.random, strict=True) if value >= WELL
    ]
    if not good:
        best = int(np.nanargmax(octaves.random))
        return (
            f" Nowhere does it absorb well ({WELL:g} or more); most, "
            f"{octaves.random[best]:.2f}, at {band_name(octaves.bands_hz[best])}."
        )
    together = octaves.bands_hz.index(good[-1]) - octaves.bands_hz.index(good[0]) + 1 == len(good)
    if not together:
        listed = ", ".join(band_name(band) for band in good)
        return f" It absorbs well ({WELL:g} or more) at {listed}."
    if good[-1] == octaves.bands_hz[-1]:
        return f" It absorbs well ({WELL:g} or more) from the {band_name(good[0])} octave up."
    if len(good) == 1:
        return f" It absorbs well ({WELL:g} or more) at {band_name(good[0])} only."
    return (
        f" It absorbs well ({WELL:g} or more) from {band_name(good[0])} to {band_name(good[-1])}."
    )
