"""How long a single resonance of a room may ring before a listener hears it.

Thresholds of detection by Fazenda, Stephenson and Goldberg, Perceptual thresholds for the effects
of room modes as a function of modal decay, J. Acoust. Soc. Am. 137 (2015), seen as quoted
elsewhere. Between their frequencies straight lines over the logarithm of frequency; beyond them
nothing is known.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

SOURCE = "Fazenda, Stephenson and Goldberg, JASA 137 (2015), as quoted elsewhere (seen)"
TEST_SOUNDS_S = ((32.0, 63.0, 100.0, 150.0, 200.0, 250.0), (0.9, 0.3, 0.27, 0.18, 0.17, 0.12))
MUSIC_S = ((63.0, 125.0, 250.0), (0.51, 0.30, 0.12))

UNHEARD = "too short to be heard"
WITH_TEST_SOUNDS = "heard with test sounds only"
WITH_MUSIC = "heard with music"
UNTESTED_WITH_MUSIC = "heard with test sounds; music was not tested here"
UNTESTED = "not tested at this frequency"
VERDICTS = (UNHEARD, WITH_TEST_SOUNDS, WITH_MUSIC, UNTESTED_WITH_MUSIC, UNTESTED)


def threshold_s(frequency_hz: ArrayLike, table: tuple[tuple[float, ...], ...]) -> Array:
    """Decay time in s, (n,), from which on it is heard; NaN where nobody tested.

    Parameters
    ----------
    frequency_hz : (n,) float
    table : TEST_SOUNDS_S or MUSIC_S
    """
    octave = np.log2(np.asarray(frequency_hz, dtype=np.float64))
    return np.interp(octave, np.log2(table[0]), table[1], left=np.nan, right=np.nan)


def judge_decay(frequency_hz: ArrayLike, decay_time_s: ArrayLike) -> list[str]:
    """One of VERDICTS for each (n,) mode."""
    f, time = np.atleast_1d(frequency_hz), np.atleast_1d(decay_time_s)
    with_test, with_music = threshold_s(f, TEST_SOUNDS_S), threshold_s(f, MUSIC_S)
    found = []
    for t, test, music in zip(time, with_test, with_music, strict=True):
        if np.isnan(test):
            found.append(UNTESTED)
        elif t < test:
            found.append(UNHEARD)
        elif np.isnan(music):
            found.append(UNTESTED_WITH_MUSIC)
        else:
            found.append(WITH_MUSIC if t >= music else WITH_TEST_SOUNDS)
    return found
