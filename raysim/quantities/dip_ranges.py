"""How deep dips are where the materials absorb least and most within their ranges."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.quantities.dips import Dip, depth_db
from raysim.quantities.image_sum import Images
from raysim.quantities.plausibility import diffuse_field
from raysim.quantities.response import covers_in, paths_between, rest_at
from raysim.results.data import Result
from raysim.results.response import Response

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def depth_ranges_db(
    result: Result,
    response: Response,
    dips: Sequence[Dip],
    at_ends: Complex,
    source: int,
    receiver: int,
) -> list[tuple[float, float]]:
    """Least and greatest depth of dips of a source at a receiver, first variant.

    All materials are at the same end at once: in the waves, in each image, and in what the rays
    carry, which grows with the decay time.

    Parameters
    ----------
    at_ends : (2, source, receiver, F) complex
        Responses by waves, least absorbed and most (`bass_ranges.responses_at_ends`).
    """
    if not dips:
        return []
    f, place = response.frequency_hz, (0, source, receiver)
    waves = _waves_at_ends(result, response, at_ends[:, source, receiver], place)
    share = response.bass_share
    blended = np.where(share > 0, share * waves, 0.0) + (1 - share) * _others(
        result, response, place
    )
    depths = depth_db(f, blended)
    ranges = []
    for dip in dips:
        at = depths[:, int(np.abs(f - dip.frequency_hz).argmin())].tolist()
        ranges.append((min(dip.depth_db, *at), max(dip.depth_db, *at)))
    return ranges


def _waves_at_ends(
    result: Result, response: Response, at_ends: Complex, place: tuple[int, int, int]
) -> Array:
    """(2, F) squared pressures by waves, 0 above them."""
    assert result.bass is not None
    below = at_ends.shape[-1]
    waves = np.zeros((2, len(response.frequency_hz)))
    waves[:, :below] = _square(response.bass_db[place][:below])
    waves[:, :below] *= np.abs(at_ends / result.bass.response[place]) ** 2
    return waves


def _others(result: Result, response: Response, place: tuple[int, int, int]) -> Array:
    """(2, F) squared pressures by images and rays."""
    f, scene = response.frequency_hz, result.scene_in(0)
    field = diffuse_field(result.scene, result.variants[0])
    paths, rest = paths_between(result, *place), response.rest[place]
    before = np.abs(response.images[place]) ** 2 + rest_at(rest, scene.bands_hz, f)
    others = []
    for end, longer in (("absorption_low", field.longer), ("absorption_high", field.shorter)):
        images = Images(scene, covers_in(result, 0), end).pressure(paths, f)
        after = np.abs(images) ** 2 + rest_at(rest * longer, scene.bands_hz, f)
        others.append(_square(response.geometrical_db[place]) * after / before)
    return np.array(others)


def _square(level_db: NDArray[np.float32]) -> Array:
    return np.asarray(10 ** (level_db.astype(float) / 10))
