"""How much the level in a band differs from place to place where many reflections interfere.

Many paths of random phase make a squared pressure that is distributed exponentially over places
and frequencies. Over frequency it is correlated as 1/(1 + (pi T df / (3 ln 10))^2), for energy
decays exponentially with T (Schroeder, Frequency-correlation functions of frequency responses in
rooms, J. Acoust. Soc. Am. 34 (1962), from memory; the tests draw such responses). Averaged over a
band it spreads less. This holds above the Schroeder frequency; below it fewer modes make the
spread larger.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

SMALLEST = 1e-3
DECIBELS = 10 / np.log(10)


def band_variance(decay_time_s: ArrayLike, bandwidth_hz: ArrayLike) -> Array:
    """Variance over its squared mean of a squared pressure that is averaged over a band.

    1 at a single frequency, about 6.9/(bandwidth times decay time) over a wide band.
    """
    decay, width = np.asarray(decay_time_s, float), np.asarray(bandwidth_hz, float)
    a = np.maximum(np.pi * decay * width / (3 * np.log(10)), SMALLEST)
    return np.asarray(2 * np.arctan(a) / a - np.log1p(a**2) / a**2)


def level_deviation_db(variance: ArrayLike, random_share: ArrayLike = 1.0) -> Array:
    """Standard deviation of the level, dB, of a squared pressure of such relative variance.

    To first order, within 4 % for variances up to 0.45; of a single frequency it is 5.6 dB.

    Parameters
    ----------
    variance : (...) float
        Of `band_variance`.
    random_share : (...) float
        Share of the energy that has random phase. Beside a part that is known, with phase, a share
        x leaves x (2 - x) of the variance.
    """
    share = np.asarray(random_share, float)
    left = np.asarray(variance, float) * share * (2 - share)
    return np.asarray(DECIBELS * np.sqrt(left))
