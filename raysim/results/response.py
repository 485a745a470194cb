"""The joined response, 20 Hz to 20 kHz, and how it is laid out in the file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.results.data import Result
from raysim.results.layout import Group, Variable, position_axes, word_axis, words

Array = NDArray[np.float64]
Levels = NDArray[np.float32]


@dataclass(frozen=True)
class Response:
    """Steady level at each receiver by frequency, re the free field at 10 m.

    Attributes
    ----------
    frequency_hz : (frequency,) float
        1 Hz apart to 2 kHz, then 0.05 %.
    bass_share : (frequency,) float
        Weight of the waves' squared pressure, 1 below the overlap and 0 above; the geometrical
        part has the rest.
    playback : tuple of str
        Each source alone, and where there are several all together, last.
    level_db, smoothed_db : (variant, playback, receiver, frequency) float
        Joined: as it is, and as means over a sixth of an octave.
    bass_db, geometrical_db : same shape
        What each part gives by itself; NaN above the bass. The geometrical part is the squared
        sum of image sources and the energy of everything else.
    images : (variant, source, receiver, frequency) complex64
        Sum of the image sources, with exp(j omega t).
    rest, rest_error : (variant, source, receiver, band) float
        Energy of everything else, by rays, and its standard error.
    overlap_hz : (third,) nominal
        Third-octaves that lie in the overlap.
    overlap_db : (variant, source, receiver, third) float
        Level of the waves less that of the geometrical part.
    low_bands_hz : (low_band,) nominal
        Octaves below the Schroeder frequency of which T20 is known by waves.
    low_t20_s, low_t20_spread_s : (variant, source, receiver, low_band) float
        Mean and standard deviation over the head zone, NaN where undefined.
    low_t20_reason : same shape
        Why it is undefined, or empty.
    """

    frequency_hz: Array
    bass_share: Array
    playback: tuple[str, ...]
    level_db: Levels
    smoothed_db: Levels
    bass_db: Levels
    geometrical_db: Levels
    images: NDArray[np.complex64]
    rest: Array
    rest_error: Array
    overlap_hz: tuple[float, ...]
    overlap_db: Array
    low_bands_hz: tuple[float, ...]
    low_t20_s: Array
    low_t20_spread_s: Array
    low_t20_reason: NDArray[np.object_]


def response_group(result: Result, response: Response) -> Group:
    """Group /response of the file."""
    axes = position_axes(result)
    pair = ("variant", "source", "receiver")
    played = ("variant", "playback", "receiver", "frequency")

    def level(data: Levels, long_name: str) -> Variable:
        return Variable(played, data, "dB", f"{long_name} re the free field at 10 m")

    return {
        **axes,
        "frequency": Variable(("frequency",), response.frequency_hz, "Hz", "frequency"),
        "playback": word_axis("playback", response.playback, "sources that play"),
        "bass_share": Variable(
            ("frequency",), response.bass_share, "1", "weight of the waves' squared pressure"
        ),
        "level": level(response.level_db, "joined level"),
        "smoothed_level": level(response.smoothed_db, "joined level, means over 1/6 octave,"),
        "bass_level": level(response.bass_db, "level by waves"),
        "geometrical_level": level(response.geometrical_db, "level by images and rays"),
        "images": Variable(
            (*pair, "frequency"), response.images, "1", "sum of the images re the free field"
        ),
        "rest": Variable(
            (*pair, "band"), response.rest, "1", "energy of everything else re the free field"
        ),
        "rest_standard_error": Variable(
            (*pair, "band"), response.rest_error, "1", "standard error of the rest"
        ),
        "third": Variable(
            ("third",), np.array(response.overlap_hz, float), "Hz", "third-octave of the overlap"
        ),
        "overlap_difference": Variable(
            (*pair, "third"), response.overlap_db, "dB", "waves less images and rays"
        ),
        "low_band": Variable(
            ("low_band",), np.array(response.low_bands_hz, float), "Hz", "octave below the rays"
        ),
        "low_T20": Variable(
            (*pair, "low_band"), response.low_t20_s, "s", "reverberation time by waves"
        ),
        "low_T20_spread": Variable(
            (*pair, "low_band"), response.low_t20_spread_s, "s", "deviation over the head zone"
        ),
        "low_T20_reason": Variable(
            (*pair, "low_band"),
            words(response.low_t20_reason.ravel().tolist()).reshape(response.low_t20_reason.shape),
            "1",
            "why it is undefined",
        ),
    }
