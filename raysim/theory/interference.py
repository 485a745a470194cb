"""Two paths of one sound: where they cancel and by how much."""

from __future__ import annotations

import numpy as np


def notch_hz(path_difference_m: float, speed: float, phase_rad: float = 0.0) -> float:
    """Lowest frequency at which a reflected path arrives in opposite phase, Hz.

    k d - phase = pi with d the difference of the paths' lengths and the phase of the reflection
    factor, 0 for a rigid surface: c/(2 d). For sound that goes straight to a wall behind the
    loudspeaker and back d is twice the distance, and that is the rule c/(4 a); at a seat beside
    that line d is less.
    """
    return float((np.pi + phase_rad) * speed / (2 * np.pi * path_difference_m))


def level_of_two_db(ratio: float) -> tuple[float, float]:
    """Level re the direct sound where both meet in opposite phase, and where in phase, dB.

    `ratio` is the reflected over the direct amplitude; two of one size cancel to -inf.
    """
    with np.errstate(divide="ignore"):
        low, high = 20 * np.log10(np.abs([1 - ratio, 1 + ratio]))
    return float(low), float(high)
