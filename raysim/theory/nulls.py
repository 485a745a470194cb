"""Where a mode is hardly heard, and where it is hardly driven: near its pressure nodes."""

from __future__ import annotations

import math

QUIET = 0.3
"""A mode is hardly driven or heard where its pressure is below this share of its rms value."""


def first_axial_pressure(share: float) -> float:
    """Pressure of the first axial mode between two hard walls re its rms value.

    √2 |cos(π x / L)|: 0 half way, √2 at the walls. With `QUIET` it is hardly heard within 0.068 of
    the length either side of the middle.

    Parameters
    ----------
    share : float
        Distance from one wall over that between the two, x / L.
    """
    return math.sqrt(2) * abs(math.cos(math.pi * share))
