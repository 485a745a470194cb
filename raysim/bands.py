"""Fractional-octave bands: labels and exact midband frequencies (IEC 61260-1:2014)."""

from __future__ import annotations

import numpy as np

OCTAVE_RATIO = 10.0 ** (3 / 10)
OCTAVE_LABELS_HZ = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
THIRD_LABELS_HZ = (
    *(50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800),
    *(1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000),
)
LOW_THIRD_LABELS_HZ = (25, 31.5, 40)
DEFAULT_OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000)


def exact_midband_hz(label_hz: float, per_octave: int = 1) -> float:
    """Exact base-10 midband frequency nearest to a nominal label.

    Parameters
    ----------
    label_hz : float
        Nominal frequency, for example 8000.
    per_octave : int
        1 for octaves, 3 for third-octaves.

    Returns
    -------
    float
        1000 * G**(k/per_octave) in Hz, G = 10**(3/10), nearest on a logarithmic axis
        (IEC 61260-1:2014, 5.2 to 5.4). 8000 gives 7943.28.
    """
    index = round(per_octave * np.log(label_hz / 1000.0) / np.log(OCTAVE_RATIO))
    return float(1000.0 * OCTAVE_RATIO ** (index / per_octave))


def octave_labels_hz(lowest_hz: float, highest_hz: float) -> tuple[float, ...]:
    """Nominal octave labels from `lowest_hz` to `highest_hz`, both included."""
    return tuple(f for f in OCTAVE_LABELS_HZ if lowest_hz * 0.99 <= f <= highest_hz * 1.01)


def bands_within_hz(lowest_hz: float, highest_hz: float, per_octave: int = 3) -> tuple[float, ...]:
    """Nominal labels of the thirds from 25 Hz, or octaves, that lie within a range wholly."""
    labels = OCTAVE_LABELS_HZ if per_octave == 1 else (*LOW_THIRD_LABELS_HZ, *THIRD_LABELS_HZ)
    edges = [(label, *band_edges_hz(label, per_octave)) for label in labels]
    return tuple(f for f, low, high in edges if low >= lowest_hz and high <= highest_hz)


def band_edges_hz(label_hz: float, per_octave: int = 1) -> tuple[float, float]:
    """Lower and upper band-edge frequencies in Hz (IEC 61260-1:2014, 5.5)."""
    half = OCTAVE_RATIO ** (1 / (2 * per_octave))
    middle = exact_midband_hz(label_hz, per_octave)
    return middle / half, middle * half


def band_name(label_hz: float) -> str:
    """How a band is written in tables: '125 Hz', '1 kHz', '31.5 Hz'."""
    return f"{label_hz / 1000:g} kHz" if label_hz >= 1000 else f"{label_hz:g} Hz"
