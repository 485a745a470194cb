"""A loudspeaker on pads, springs or a platform: a mass on a spring over a rigid floor."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

GRAVITY = 9.81
DYNAMIC_RATIO = (1.0, 3.0)
DYNAMIC_SOURCE = "1 for steel springs, 1.2 to 3 for rubber and foam (common practice)"
DAMPING = 0.1
LINEAR_STRAIN = 0.15


def static_deflection_m(mass_kg: float, stiffness_n_m: float) -> float:
    """Distance in m that a mass sinks on a spring of this total stiffness: m g / k."""
    return mass_kg * GRAVITY / stiffness_n_m


def pad_stiffness_n_m(modulus_pa: float, area_m2: float, thickness_m: float) -> float:
    """Stiffness in N/m of a pad in compression: E A / t.

    Young's modulus of the material; a wide thin pad of rubber, which can't bulge, is stiffer.
    Holds up to a strain of about 15 % (common practice).
    """
    return modulus_pa * area_m2 / thickness_m


def resonance_hz(deflection_m: ArrayLike, dynamic_ratio: ArrayLike = 1.0) -> Array:
    """Resonance of a mass on what sinks by `deflection_m` under it.

    sqrt(r g / d) / (2 pi), r the stiffness in motion over that at rest (Den Hartog 1956,
    Mechanical Vibrations, 2.3: r = 1). With r = 1 and d in mm it is 15.8 / sqrt(d).
    """
    stiffness = np.asarray(dynamic_ratio) * GRAVITY / np.asarray(deflection_m)
    return np.asarray(np.sqrt(stiffness) / (2 * np.pi))


def transmissibility(frequency_hz: ArrayLike, resonance_hz: ArrayLike, damping: float) -> Array:
    """Force on a rigid floor over the force that shakes the mass, as an amplitude ratio.

    sqrt((1 + (2 z q)^2) / ((1 - q^2)^2 + (2 z q)^2)), q = f/f0, z the viscous damping ratio
    (Den Hartog 1956, 2.12). It is 1 at q = sqrt(2) for any damping, more below, less above.

    Parameters
    ----------
    frequency_hz, resonance_hz : array
        Broadcast against each other.
    damping : float
        Ratio to critical damping.
    """
    q = np.asarray(frequency_hz, dtype=np.float64) / np.asarray(resonance_hz, dtype=np.float64)
    drag = (2 * damping * q) ** 2
    return np.asarray(np.sqrt((1 + drag) / ((1 - q**2) ** 2 + drag)))


def isolates_above_hz(resonance_hz: ArrayLike) -> Array:
    """Frequency above which less passes than without the support: sqrt(2) f0."""
    return np.asarray(np.sqrt(2) * np.asarray(resonance_hz))
