"""Room gain, and the largest loudspeaker that makes sense in the room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.quantities.bass_levels import band_squares, level_db, third_octaves_of
from raysim.quantities.playback import playbacks_of
from raysim.results.data import Result

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

CUT_OFFS_HZ = np.arange(20.0, 81.0)
REFERENCE_HZ = 200.0  # the level is held against its mean from the lowest mode to here
LOUDER_DB = 3.0
REACHES_DB = -6.0


@dataclass(frozen=True)
class RoomGain:
    """Level in the lowest thirds at one receiver, all sources together.

    Attributes
    ----------
    lowest_mode_hz : float
        NaN where none was found.
    bands_hz : (band,) nominal
    gain_db : (band,) float
        Re the mean from the lowest mode to 200 Hz, of loudspeakers that are flat all the way down.
    largest_cut_off_hz : float
        Cut-off (-3 dB) of the largest closed loudspeaker whose lowest thirds, up to the lowest
        mode's, do not exceed that mean by more than 3 dB.
    reaches_hz : float
        Lowest third that it still plays within 6 dB of the mean.
    """

    lowest_mode_hz: float
    bands_hz: tuple[float, ...]
    gain_db: Array
    largest_cut_off_hz: float
    reaches_hz: float


def closed_box_energy(frequency_hz: Array, cut_off_hz: float) -> Array:
    """Squared response of a closed loudspeaker: second order, maximally flat, 12 dB an octave."""
    ratio = (frequency_hz / cut_off_hz) ** 4
    return np.asarray(ratio / (1 + ratio))


def room_gain(
    result: Result, variant: int, receiver: int, response: Complex | None = None
) -> RoomGain | None:
    """Room gain at a receiver; None without the bass or with less than up to 80 Hz of it.

    Surfaces give way at low frequency and gaps leak, which few materials' data say: the gain is
    an upper bound.

    Parameters
    ----------
    response : (source, receiver, F) complex, optional
        Taken instead of the bass's own.
    """
    bass = result.bass
    if bass is None or bass.frequency_hz[-1] < CUT_OFFS_HZ[-1]:
        return None
    bands, f = third_octaves_of(bass), bass.frequency_hz
    together = playbacks_of(result.scene_in(variant))[-1]
    own = bass.response[variant] if response is None else response
    pressure = (together.weights(f) * own[:, receiver]).sum(axis=0)
    square = np.abs(pressure) ** 2
    modes = bass.mode_frequency_hz[bass.mode_variant == variant]
    lowest = float(modes[0]) if len(modes) else float("nan")
    start = lowest if len(modes) else float(f[0])
    chosen = (f >= start) & (f <= REFERENCE_HZ)
    reference = float(level_db(square[chosen]).mean())
    flat = level_db(band_squares(f, square, bands)) - reference
    below = [b for b, label in enumerate(bands) if label <= max(start, bands[0])]
    cut_off = next(
        (
            float(f0)
            for f0 in CUT_OFFS_HZ
            if _levels(f, square, bands, f0)[below].max() - reference <= LOUDER_DB
        ),
        float(CUT_OFFS_HZ[-1]),
    )
    played = _levels(f, square, bands, cut_off) - reference
    reached = [label for label, level in zip(bands, played, strict=True) if level >= REACHES_DB]
    return RoomGain(lowest, bands, flat, cut_off, float(min(reached, default=bands[-1])))


def _levels(f: Array, square: Array, bands: tuple[float, ...], cut_off_hz: float) -> Array:
    return level_db(band_squares(f, square * closed_box_energy(f, cut_off_hz), bands))
