"""What a body is filled with: layers that are porous stuff with thin facings in front of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.air import Air
from raysim.surfaces.construction import Construction
from raysim.surfaces.layers import Gap, Porous
from raysim.surfaces.porous import air_medium

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def porous_filling(construction: Construction) -> tuple[Porous | None, str]:
    """The one porous stuff of layers, or None and why a body of them can't be filled with it."""
    thick = [one for one in construction.layers if isinstance(one, Porous | Gap)]
    porous = [one for one in thick if isinstance(one, Porous)]
    first = construction.layers.index(thick[0]) if thick else 0
    if not porous:
        return None, "nothing in it is porous"
    if len(porous) < len(thick):
        return None, "there is air behind or between its layers"
    if any(one.partitioned for one in porous):
        return None, "its cells lead sound along one way only"
    if len({(one.resistivity, one.model, one.pores) for one in porous}) > 1:
        return None, "it is of several porous stuffs"
    if any(not isinstance(one, Porous) for one in construction.layers[first:]):
        return None, "there is a sheet behind or between its layers"
    return porous[0], ""


def facing_admittance(construction: Construction, frequency_hz: Array, air: Air) -> Complex | None:
    """Admittance (F,) of the sheets in front of all else, times rho0 c0; None where there are none.

    It is the velocity through them over the difference of pressure. Infinite values can't be, so
    sheets without any impedance count as none.
    """
    total = np.zeros(len(frequency_hz), np.complex128)
    layers = construction.layers
    for n, layer in enumerate(layers):
        if isinstance(layer, Porous | Gap):
            break
        before, behind = (
            one.medium(frequency_hz, air).density
            if isinstance(one, Porous)
            else air_medium(frequency_hz, air).density
            for one in (layers[n - 1] if n else None, layers[n + 1])
        )
        total += layer.impedance(frequency_hz, (before, behind), air)
    return air.impedance / total if np.abs(total).min() > 0 else None
