"""What plays at once: each source alone, and all together with their delays and filters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.scene.data import Scene, Source

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Playback:
    """Sources that play the same signal.

    Attributes
    ----------
    name : str
        'left', or 'left + right'.
    sources : tuple of Source
    plays : tuple of bool
    """

    name: str
    sources: tuple[Source, ...]
    plays: tuple[bool, ...]

    @property
    def is_alone(self) -> bool:
        """Whether one source plays alone: then as it is, without level, delay or filter."""
        return sum(self.plays) == 1

    def weights(self, frequency_hz: Array) -> Complex:
        """(sources, F) complex factor on each source's response re its own free field.

        Of one source alone 1. Together: level, delay, polarity, and filters (`drive`), so that
        the sum is re the free field at 10 m of a source of level 0 dB.
        """
        ones = np.ones(len(frequency_hz), np.complex128)
        if self.is_alone:
            return np.array([ones * plays for plays in self.plays])
        return np.array(
            [drive(s, frequency_hz) * p for s, p in zip(self.sources, self.plays, strict=True)]
        )


def drive(source: Source, frequency_hz: Array) -> Complex:
    """(F,) what a source is fed, re a source of level 0 dB without delay.

    Crossover filters are Linkwitz-Riley of 24 dB an octave, whose two sides add to a flat sum:
    a subwoofer's low-pass is that of its loudspeaker.
    """
    fed = np.full(len(frequency_hz), 10 ** (source.level_db / 20), np.complex128)
    if source.directivity is not None and np.isfinite(source.directivity.lowpass_hz):
        fed *= _lowpass(frequency_hz / source.directivity.lowpass_hz)
    if source.highpass_hz > 0:
        fed *= _highpass(frequency_hz / source.highpass_hz)
    fed *= np.exp(-2j * np.pi * frequency_hz * source.delay_s)
    return -fed if source.is_inverted else fed


def _lowpass(ratio: Array) -> Complex:
    """Two Butterworth filters of second order in a row."""
    return np.asarray(1 / (1 + 1j * np.sqrt(2) * ratio - ratio**2) ** 2)


def _highpass(ratio: Array) -> Complex:
    return np.asarray(ratio**4 * _lowpass(ratio))


def playbacks_of(scene: Scene) -> tuple[Playback, ...]:
    """Each source alone, and where there are several all together, last."""
    sources = scene.sources
    alone = [
        Playback(s.name, sources, tuple(n == k for n in range(len(sources))))
        for k, s in enumerate(sources)
    ]
    if len(sources) == 1:
        return tuple(alone)
    name = " + ".join(s.name for s in sources) if len(sources) <= 3 else "all together"
    return (*alone, Playback(name, sources, (True,) * len(sources)))
