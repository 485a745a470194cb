"""What came out of a run, and what made it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.scene.data import Scene
from raysim.settings import Settings

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Reflection:
    """One specular path from a source to a receiver; the direct sound has order 0.

    Attributes
    ----------
    variant, source, receiver : int
    facets : tuple of int
        Facets met, in order from the source.
    points : (order, 3) float
        Where it meets them, m.
    length_m : float
        Path length.
    delay_s : float
        Arrival after the direct sound (after the straight line where that is blocked).
    energy : (bands,) float
        Squared pressure re the free field of the same source at 10 m.
    level_db : (bands,) float
        Level re the unobstructed direct sound of the same source at this receiver.
    azimuth_deg : float
        Where it comes from: 0 in front of the facing receiver, positive to the right, -180..180.
    elevation_deg : float
        Positive above.
    """

    variant: int
    source: int
    receiver: int
    facets: tuple[int, ...]
    points: Array
    length_m: float
    delay_s: float
    energy: Array
    level_db: Array
    azimuth_deg: float
    elevation_deg: float

    @property
    def order(self) -> int:
        """Number of reflections."""
        return len(self.facets)


@dataclass(frozen=True)
class Result:
    """All that came out and all that made it; a report needs nothing else.

    Attributes
    ----------
    variants : tuple of str
    image_order : int
        Highest order of image sources used; longer specular paths are in the ray part.
    time_s : (time,) float
        Left edge of each bin, counted from the arrival of the direct sound at each receiver.
    energy_batches : (batch, variant, source, receiver, band, time) float
        Squared pressure in each bin re the free field of the same source at 10 m: early paths
        (the same in every batch) plus the batch's own late estimate.
    reflections : tuple of Reflection
    rounds : int
        Equal portions of rays averaged in each batch; what extending a run continues from.
    rays : int
        Rays a source, over all batches.
    reflection_count, lost_rays : int
        Over all sources.
    receiver_radius_m : (receivers,) float
        Radius of the counting sphere used.
    stopped_by : str
        Which limit ended the run, and the precision reached, in words.
    duration_of_run_s : float
        Wall-clock seconds of the computation.
    raysim_version, created : str
        Version that computed it; UTC time in ISO 8601.
    """

    scene: Scene
    settings: Settings
    variants: tuple[str, ...]
    image_order: int
    time_s: Array
    energy_batches: Array
    reflections: tuple[Reflection, ...]
    rounds: int
    rays: int
    reflection_count: int
    lost_rays: int
    receiver_radius_m: Array
    stopped_by: str
    duration_of_run_s: float
    raysim_version: str
    created: str

    @property
    def energy(self) -> Array:
        """(variant, source, receiver, band, time): mean over batches."""
        return np.asarray(self.energy_batches.mean(axis=0))

    @property
    def bin_s(self) -> float:
        """Width of a time bin."""
        return self.settings.bin_s

    def to_xarray(self, group: str = "decay") -> Any:
        """One group of the result file as an `xarray.Dataset`: see `results.labelled`."""
        from raysim.results.labelled import to_xarray  # it builds on this module

        return to_xarray(self, group)
