"""What each source of a scene sends into a direction."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.emission import Emission, emit_each
from raysim.loudspeakers.directivity import SHAPE
from raysim.scene.data import Scene

Array = NDArray[np.float64]


def emission_of(scene: Scene) -> Emission:
    """Tables and frames of all sources; ones where a source is omnidirectional."""
    everywhere = np.ones((*SHAPE, len(scene.bands_hz)))
    tables = [s.directivity.energy if s.directivity else everywhere for s in scene.sources]
    frames = [scene.frame_of(source) for source in scene.sources]
    return Emission(np.array(tables, np.float64), np.array(frames, np.float64))


def energy_towards(emission: Emission, source: int, directions: Array) -> Array:
    """(n, bands) energy of a source re its axis into (n, 3) unit vectors of the room."""
    out = np.empty((len(directions), emission.energy.shape[3]))
    emit_each(emission, source, np.ascontiguousarray(directions), out)
    return out
