"""Single numbers for absorbers: ISO 11654 and ASTM C423."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# Octaves and reference curve in twentieths; classes by the least weighted coefficient in
# twentieths (ISO 11654:1997, curve and classes from memory).
WEIGHTED_BANDS_HZ = (250.0, 500.0, 1000.0, 2000.0, 4000.0)
REFERENCE_TWENTIETHS = np.array([16, 20, 20, 20, 18])
CLASSES = (("A", 18), ("B", 16), ("C", 12), ("D", 6), ("E", 3))
MOST_UNFAVOURABLE, SHAPE_EXCESS = 2, 5
SHAPES = (("L", (0,)), ("M", (1, 2)), ("H", (3, 4)))

NRC_BANDS_HZ = (250.0, 500.0, 1000.0, 2000.0)
SAA_THIRDS_HZ = (200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500)


@dataclass(frozen=True)
class WeightedAbsorption:
    """Result of ISO 11654.

    Attributes
    ----------
    practical : (5,) float
        Practical coefficients of the octaves 250 Hz to 4 kHz, in steps of 0.05.
    alpha_w : float
    shape : str
        'L', 'M', 'H', together or ''.
    absorption_class : str
        'A' to 'E', or 'none'.
    """

    practical: Array
    alpha_w: float
    shape: str
    absorption_class: str

    def __str__(self) -> str:
        letters = f"({self.shape})" if self.shape else ""
        return f"{self.alpha_w:.2f}{letters}"


def practical_absorption(octaves: ArrayLike) -> Array:
    """Practical coefficient alpha_p of octave means: to the nearest 0.05, at most 1.

    The octave's mean is that of its three thirds (ISO 11654:1997, clause 4.1).
    """
    return _twentieths(octaves) / 20


def weighted_absorption(octaves: ArrayLike) -> WeightedAbsorption:
    """Weighted coefficient alpha_w with shape and class (ISO 11654:1997).

    Parameters
    ----------
    octaves : (5,) float
        Means of the octaves 250, 500, 1000, 2000, 4000 Hz.

    Notes
    -----
    The reference curve moves down in steps of 0.05 until what lies below it sums to at most 0.10;
    alpha_w is its value at 500 Hz. A letter is given where alpha_p exceeds the moved curve by
    0.25 or more.
    """
    practical = _twentieths(octaves)
    shift = 0
    while np.maximum(REFERENCE_TWENTIETHS - shift - practical, 0).sum() > MOST_UNFAVOURABLE:
        shift += 1
    curve = REFERENCE_TWENTIETHS - shift
    excess = practical - curve >= SHAPE_EXCESS
    shape = "".join(letter for letter, bands in SHAPES if excess[list(bands)].any())
    weighted = int(curve[1])
    return WeightedAbsorption(
        practical / 20,
        weighted / 20,
        shape,
        next((name for name, least in CLASSES if weighted >= least), "none"),
    )


def noise_reduction_coefficient(octaves: ArrayLike) -> float:
    """NRC: mean at 250, 500, 1000 and 2000 Hz to the nearest 0.05 (ASTM C423, from memory)."""
    return round(20 * float(np.mean(np.asarray(octaves))) + 1e-9) / 20


def sound_absorption_average(thirds: ArrayLike) -> float:
    """SAA: mean of the 12 third-octaves 200 to 2500 Hz to 0.01 (ASTM C423, from memory)."""
    return round(100 * float(np.mean(np.asarray(thirds))) + 1e-9) / 100


def _twentieths(values: ArrayLike) -> NDArray[np.int64]:
    # A hair above, so that halves go up also where binary fractions fall short.
    steps = np.floor(20 * np.asarray(values, dtype=np.float64) + 0.5 + 1e-9)
    return np.minimum(steps, 20).astype(np.int64)
