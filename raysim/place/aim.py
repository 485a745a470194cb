"""What a layout is judged by: four terms in dB and their weighed sum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.place.limits import Weights

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

DEEPEST_DB = 20.0
EARLY_LIMIT_DB = -10.0
"""A criterion of ITU-R BS.1116 for single reflections, from memory; here of their sum."""


@dataclass(frozen=True)
class Terms:
    """Terms of a layout, dB; each the less the better.

    Attributes
    ----------
    bass_db : float
        Rms deviation of the level of both loudspeakers together from its mean, over the head
        zone and over the logarithm of frequency.
    notch_db : float
        Depth of the deepest boundary notch.
    early_db : float
        Sum of the early reflections re the direct sound, of the worse loudspeaker.
    sides_db : float
        Rms difference of left and right in the bass, and in early reflections.
    """

    bass_db: float
    notch_db: float
    early_db: float
    sides_db: float

    def aim_db(self, weights: Weights) -> float:
        """Weighed sum."""
        return (
            weights.bass * self.bass_db
            + weights.notch * self.notch_db
            + weights.early * max(0.0, self.early_db - EARLY_LIMIT_DB)
            + weights.sides * self.sides_db
        )


def bass_terms(pressure: Complex) -> tuple[Array, Array]:
    """Unevenness and difference of sides of (..., 2, zone, F) pressures, dB.

    Frequencies are evenly spaced in logarithm. A dip deeper than 20 dB counts as 20: it is no
    worse to hear.
    """
    both = _level_db(np.abs(pressure.sum(axis=-3)) ** 2)
    mean = both.mean(axis=(-2, -1), keepdims=True)
    away = np.clip(both - mean, -DEEPEST_DB, DEEPEST_DB)
    each = _level_db((np.abs(pressure) ** 2).mean(axis=-2))
    apart = np.clip(each[..., 0, :] - each[..., 1, :], -DEEPEST_DB, DEEPEST_DB)
    return (
        np.sqrt((away**2).mean(axis=(-2, -1))),
        np.sqrt((apart**2).mean(axis=-1)),
    )


def _level_db(square: Array) -> Array:
    return np.asarray(10 * np.log10(np.maximum(square, 1e-20)))
