"""From which frequency on rays describe a room, found from the room's own decay times.

The decay time that goes into the Schroeder frequency is the mean T20 of the octaves 500 Hz and
1 kHz over sources and receivers (without them, of all bands from 500 Hz, or else of all). It is
taken where rays are valid in any room of 20 m3 or more that decays within 1.2 s, so the answer
doesn't hang on itself.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raysim.bands import exact_midband_hz

Array = NDArray[np.float64]

MIDDLE_BANDS_HZ = (500.0, 1000.0)
LOWEST_FOR_TIME_HZ = 500.0


def bands_for_time(bands_hz: Sequence[float]) -> list[int]:
    """Numbers of the bands whose decay time counts for the Schroeder frequency."""
    middle = [b for b, f in enumerate(bands_hz) if f in MIDDLE_BANDS_HZ]
    upper = [b for b, f in enumerate(bands_hz) if f >= LOWEST_FOR_TIME_HZ]
    return middle or upper or list(range(len(bands_hz)))


def middle_decay_time(times_s: ArrayLike, bands_hz: Sequence[float]) -> float:
    """Mean of the defined decay times (..., bands) in s in `bands_for_time`; NaN if there is none.

    Parameters
    ----------
    times_s : (..., bands) float
        T20 of every source and receiver, NaN where undefined.
    bands_hz : (bands,) float
        Nominal midbands.
    """
    chosen = np.asarray(times_s, dtype=np.float64)[..., bands_for_time(bands_hz)]
    defined = chosen[np.isfinite(chosen)]
    return float(defined.mean()) if defined.size else float("nan")


def bands_above(frequency_hz: ArrayLike, bands_hz: Sequence[float]) -> NDArray[np.bool_]:
    """True where a band's exact midband is at or above a frequency (...), (..., bands)."""
    midbands = np.array([exact_midband_hz(f) for f in bands_hz])
    return np.asarray(midbands >= np.asarray(frequency_hz, dtype=np.float64)[..., None])
