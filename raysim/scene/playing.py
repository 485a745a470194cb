"""Which sources sound in which bands: a subwoofer radiates nothing above its low-pass.

What is computed is relative to each source's own free field, so numbers exist for a band in which
a source is silent, and mean nothing.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.scene.data import Scene

Bools = NDArray[np.bool_]


def plays(scene: Scene) -> Bools:
    """(source, band) True unless the whole band lies above the source's low-pass."""
    everywhere = np.ones(len(scene.bands_hz), dtype=bool)
    return np.array(
        [
            everywhere if one.directivity is None else one.directivity.plays(scene.bands_hz)
            for one in scene.sources
        ]
    )


def counting(scene: Scene) -> Bools:
    """(source, band) True where a source counts in a mean over sources.

    It counts where it plays; in a band that no source plays, all do, for the mean must not be one
    of nothing. What is shown there is withheld by `silence` all the same.
    """
    sounding = plays(scene)
    return np.asarray(sounding | ~sounding.any(axis=0))


def silence(lowpass_hz: float) -> str:
    """Why a number of a source is withheld in a band above its low-pass."""
    return f"the source plays up to {lowpass_hz:g} Hz, and nothing here"


def not_counted(scene: Scene) -> list[str]:
    """Which sources don't count in which bands, one sentence each."""
    said = []
    for source, sounding in zip(scene.sources, plays(scene), strict=True):
        if sounding.all() or source.directivity is None:
            continue
        first = scene.bands_hz[int(np.argmin(sounding))]
        said.append(
            f"'{source.name}' plays up to {source.directivity.lowpass_hz:g} Hz: it doesn't count "
            f"at {band_name(first)} and above"
        )
    return said


def reasons(scene: Scene) -> NDArray[np.object_]:
    """(source, band) text: `silence` where a source doesn't play, else empty."""
    found = np.full((len(scene.sources), len(scene.bands_hz)), "", dtype=object)
    for s, (source, sounding) in enumerate(zip(scene.sources, plays(scene), strict=True)):
        upper = math.inf if source.directivity is None else source.directivity.lowpass_hz
        found[s, ~sounding] = silence(upper)
    return found
