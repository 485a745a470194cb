"""Where a computed construction holds, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.air import Air, Climate
from raysim.bands import band_name, exact_midband_hz
from raysim.surfaces.construction import Construction, octave_absorption
from raysim.surfaces.layers import Gap, Mass, Perforated, Porous, Slotted
from raysim.surfaces.porous import DELANY_BAZLEY_RANGE, MIKI_RANGE

Array = NDArray[np.float64]


def doubts(
    construction: Construction, bands_hz: Sequence[float], air: Climate | Air, per_octave: int = 1
) -> list[str]:
    """What a careful reader would ask about absorption in these bands, one sentence each."""
    air = air.air if isinstance(air, Climate) else air
    middles = np.array([exact_midband_hz(band, per_octave) for band in bands_hz])
    said = [
        *_porous(construction, bands_hz, middles, air, per_octave),
        *_sheets(construction, middles, air),
    ]
    if construction.backing == "open":
        said.append("open: what passes through counts as absorbed; the space behind isn't modelled")
    return list(dict.fromkeys(said))


def refused(
    construction: Construction, bands_hz: Sequence[float], air: Climate | Air, per_octave: int = 1
) -> tuple[float, ...]:
    """Bands of which a part lies outside the range in which a layer's model gives anything."""
    means = octave_absorption(construction, bands_hz, air, per_octave)
    return tuple(band for band, mean in zip(bands_hz, means, strict=True) if np.isnan(mean))


def _porous(
    construction: Construction,
    bands_hz: Sequence[float],
    middles: Array,
    air: Air,
    per_octave: int,
) -> list[str]:
    said = []
    for layer, text in zip(construction.layers, construction.texts, strict=False):
        if not isinstance(layer, Porous):
            continue
        if layer.model == "delany-bazley":
            low, high = (x * layer.resistivity / air.density for x in DELANY_BAZLEY_RANGE)
            if refused(construction, bands_hz, air, per_octave):
                said.append(
                    f"{text}: Delany and Bazley's model holds from {low:.0f} to {high:.0f} Hz here "
                    "and gives nothing outside; leave out 'by delany-bazley' for one that goes on"
                )
        if layer.model == "miki":
            said += _miki(construction, layer, text, bands_hz, middles, air, per_octave)
        if layer.model == "allard-champoux" and layer.stuff == "foam":
            said.append(f"{text}: Allard and Champoux's model is made for fibres, not foam")
    return said


def _miki(
    construction: Construction,
    layer: Porous,
    text: str,
    bands_hz: Sequence[float],
    middles: Array,
    air: Air,
    per_octave: int,
) -> list[str]:
    low, high = (x * layer.resistivity for x in MIKI_RANGE)
    below = [band for band, f in zip(bands_hz, middles, strict=True) if f < low]
    said = []
    if below:
        here = octave_absorption(construction, below, air, per_octave)
        there = octave_absorption(construction.for_low_frequency(), below, air, per_octave)
        pairs = ", ".join(
            f"{band_name(band)} {b:.2f} for {a:.2f}"
            for band, a, b in zip(below, here, there, strict=True)
        )
        said.append(
            f"{text}: Miki's model was fitted above {low:.0f} Hz here; a model with the right "
            f"low-frequency limit (Allard and Champoux) gives {pairs}"
        )
    if (middles > high).any():
        said.append(f"{text}: Miki's model was fitted below {high:.0f} Hz here")
    return said


def _sheets(construction: Construction, middles: Array, air: Air) -> list[str]:
    said = []
    for layer, text in zip(construction.layers, construction.texts, strict=False):
        if isinstance(layer, Perforated | Slotted):
            limit = air.speed_of_sound / (2 * layer.spacing)
            if (middles > limit).any():
                said.append(
                    f"{text}: above {limit:.0f} Hz the openings are more than half a wavelength "
                    "apart, and the sheet is no longer even"
                )
        if isinstance(layer, Mass) and layer.kind != "film":
            said.append(
                f"{text}: taken as limp, of loss factor {layer.loss:g}; stiffness and mounting "
                "move and widen the resonance, so treat depth and peak as a first guess"
            )
        if isinstance(layer, Gap) and not layer.partitioned and layer.thickness > 0.2:
            said.append(
                f"{text}: sound is taken to travel sideways in the gap; with partitions, write "
                f"'{text} partitioned'"
            )
    return said
