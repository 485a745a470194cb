"""What interference makes of the difference of waves and geometrical part where both are known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_edges_hz, exact_midband_hz
from raysim.quantities.evaluation import reverberation_time
from raysim.quantities.response import rest_at
from raysim.results.data import Result
from raysim.results.response import Response
from raysim.theory.fluctuation import band_variance, level_deviation_db

Array = NDArray[np.float64]


def interference_spread_db(
    result: Result, response: Response, thirds_hz: tuple[float, ...] | None = None
) -> float:
    """Standard deviation at single places, dB, root mean square over thirds; first variant.

    The waves have the interference of all paths, the geometrical part that of its images. What the
    rays carry has no phase, and its share of the energy makes the two differ: by at most this.
    Between octaves whose decay time is known by straight lines over the logarithm of frequency; NaN
    where none is.

    Parameters
    ----------
    result : Result
    response : Response
        Of it.
    thirds_hz : tuple of float, optional
        Nominal; those of the overlap if not given.
    """
    decay, frequency = _decay_times(result, response), response.frequency_hz
    known = np.isfinite(decay)
    if not known.any():
        return float("nan")
    midbands = np.log([exact_midband_hz(f) for f in result.scene.bands_hz])
    late = rest_at(response.rest[0], result.scene.bands_hz, frequency)
    early = np.abs(response.images[0].astype(np.complex128)) ** 2
    squares = []
    for third in response.overlap_hz if thirds_hz is None else thirds_hz:
        low, high = band_edges_hz(third, 3)
        own = (frequency >= low) & (frequency < high)
        share = late[..., own].mean() / (late[..., own] + early[..., own]).mean()
        time_s = np.interp(np.log(exact_midband_hz(third, 3)), midbands[known], decay[known])
        squares.append(level_deviation_db(band_variance(time_s, high - low), share) ** 2)
    return float(np.sqrt(np.mean(squares))) if squares else float("nan")


def _decay_times(result: Result, response: Response) -> Array:
    """(band,) mean T20 over all pairs: by rays, or else by waves; NaN where neither says it."""
    by_rays = reverberation_time(result).value[0]
    found = np.full(len(result.scene.bands_hz), np.nan)
    for b, label in enumerate(result.scene.bands_hz):
        times = by_rays[..., b]
        if not np.isfinite(times).any() and label in response.low_bands_hz:
            times = response.low_t20_s[0, ..., response.low_bands_hz.index(label)]
        if np.isfinite(times).any():
            found[b] = np.nanmean(times)
    return found
