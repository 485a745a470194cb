"""What a loudspeaker sends into each direction: one table for every kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_edges_hz

Array = NDArray[np.float64]

STEP_DEG = 5.0
AZIMUTHS_DEG = np.arange(0.0, 360.0, STEP_DEG)
ELEVATIONS_DEG = np.arange(-90.0, 90.0 + STEP_DEG / 2, STEP_DEG)
SHAPE = (len(AZIMUTHS_DEG), len(ELEVATIONS_DEG))
AHEAD = (0, len(ELEVATIONS_DEG) // 2)


@dataclass(frozen=True)
class Directivity:
    """Energy by direction and band, re that on the axis.

    Attributes
    ----------
    energy : (72, 37, bands) float
        Squared far-field pressure averaged over each band, 1 on the axis. Azimuths 0, 5 .. 355
        degrees, positive to the right hand of somebody behind the loudspeaker who looks along
        its aim; elevations -90, -85 .. 90 degrees, positive to the cabinet's top. Between them
        bilinear.
    origin : str
        Where it comes from, in words.
    lowpass_hz : float
        Above this the loudspeaker gives next to nothing; infinite if it is full range.
    """

    energy: Array
    origin: str
    lowpass_hz: float = np.inf

    def plays(self, bands_hz: Sequence[float]) -> NDArray[np.bool_]:
        """(bands,) False where the whole octave lies above `lowpass_hz`."""
        return np.array([band_edges_hz(band)[0] < self.lowpass_hz for band in bands_hz])

    def towards(self, ways: Array) -> Array:
        """(n, bands) energy into (n, 3) unit vectors ahead, right, top."""
        azimuth = np.degrees(np.arctan2(ways[:, 1], ways[:, 0])) % 360 / STEP_DEG
        elevation = (np.degrees(np.arcsin(np.clip(ways[:, 2], -1, 1))) + 90) / STEP_DEG
        a, e = azimuth.astype(int), np.minimum(elevation.astype(int), SHAPE[1] - 2)
        beside, above = (azimuth - a)[:, None], (elevation - e)[:, None]
        one, other = a % SHAPE[0], (a + 1) % SHAPE[0]
        low = (1 - beside) * self.energy[one, e] + beside * self.energy[other, e]
        high = (1 - beside) * self.energy[one, e + 1] + beside * self.energy[other, e + 1]
        return np.asarray((1 - above) * low + above * high)

    @property
    def mean_energy(self) -> Array:
        """(bands,) mean over all directions, exact for the bilinear table."""
        return np.asarray(np.einsum("aeb,e->b", self.energy, _elevation_shares()) / SHAPE[0])

    @property
    def index_db(self) -> Array:
        """(bands,) directivity index in dB: energy on the axis over the mean of all directions."""
        return np.asarray(-10 * np.log10(self.mean_energy))

    @property
    def horizontal_db(self) -> tuple[Array, Array]:
        """Angles (72,) in degrees, right positive, and levels (72, bands) in dB at elevation 0."""
        return AZIMUTHS_DEG, 10 * np.log10(self.energy[:, AHEAD[1]])

    @property
    def vertical_db(self) -> tuple[Array, Array]:
        """Angles (72,) in degrees, up positive and over the top, and levels (72, bands) in dB."""
        front, rear = self.energy[0], self.energy[SHAPE[0] // 2]
        loop = np.concatenate([front[AHEAD[1] :], rear[-2::-1], front[1 : AHEAD[1]]])
        return AZIMUTHS_DEG, 10 * np.log10(loop)


def directions(azimuth_deg: Array, elevation_deg: Array) -> Array:
    """(..., 3) unit vectors ahead, right, top from azimuths and elevations in degrees."""
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    level = np.cos(elevation)
    ahead, right, top = level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)
    return np.stack(np.broadcast_arrays(ahead, right, top), axis=-1)


def grid() -> Array:
    """(72, 37, 3) unit vectors of the table's directions: ahead, right, top."""
    return directions(AZIMUTHS_DEG[:, None], ELEVATIONS_DEG[None, :])


def _elevation_shares() -> Array:
    """(37,) integral of each elevation's hat function with cos(elevation)/2: they sum to 1."""
    step = np.radians(STEP_DEG)
    shares = np.cos(np.radians(ELEVATIONS_DEG)) * (1 - np.cos(step)) / step
    shares[[0, -1]] = (1 - np.sin(step) / step) / 2
    return np.asarray(shares)
