"""The response at the seat from 20 Hz to 20 kHz: waves below, images and rays above.

Squared pressures are blended, with weights that add up to 1 over the upper octave of the bass:
where both parts agree, so does the blend, whatever their phases. The images add as pressures;
what the rays carry has no phase and adds as energy.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.bands import bands_within_hz, exact_midband_hz
from raysim.quantities.bass_decay import bass_decay
from raysim.quantities.bass_levels import band_squares, level_db
from raysim.quantities.image_sum import Images
from raysim.quantities.playback import playbacks_of
from raysim.results.data import Bass, Reflection, Result
from raysim.results.response import Response
from raysim.scene.variants import Cover, covers_of

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

HIGHEST_HZ = 20_000.0
EVEN_TO_HZ = 2000.0
RATIO = 1 / 2000
SMOOTHING = 6  # to an octave


def joined_response(result: Result) -> Response | None:
    """Join the bass and the rest; None where the bass was not computed."""
    bass = result.bass
    if bass is None:
        return None
    f = frequencies()
    images = np.array([_images_in(result, v, f) for v in range(len(result.variants))])
    rest, rest_error = _rest(result)
    share = bass_share(f, float(bass.frequency_hz[-1]))
    parts = [_played(result, bass, v, f, images[v], rest[v]) for v in range(len(result.variants))]
    waves, geometrical = (np.array(each) for each in zip(*parts, strict=True))
    joined = np.where(share > 0, share * np.nan_to_num(waves), 0) + (1 - share) * geometrical
    decay = bass_decay(result, bass)
    thirds, differences = _overlap(result, bass, f, images, rest)
    return Response(
        frequency_hz=f,
        bass_share=share,
        playback=tuple(one.name for one in playbacks_of(result.scene)),
        level_db=_single(level_db(joined)),
        smoothed_db=_single(level_db(smoothed(f, joined))),
        bass_db=_single(level_db(waves)),
        geometrical_db=_single(level_db(geometrical)),
        images=images.astype(np.complex64),
        rest=rest,
        rest_error=rest_error,
        overlap_hz=thirds,
        overlap_db=differences,
        low_bands_hz=decay.bands_hz,
        low_t20_s=decay.time_s,
        low_t20_spread_s=decay.spread_s,
        low_t20_reason=decay.reason,
    )


def frequencies() -> Array:
    """20 Hz to 20 kHz: 1 Hz apart to 2 kHz, then in steps of RATIO."""
    even = np.arange(20.0, EVEN_TO_HZ + 0.5)
    count = round(np.log(HIGHEST_HZ / EVEN_TO_HZ) / RATIO)
    return np.concatenate([even, np.geomspace(EVEN_TO_HZ, HIGHEST_HZ, count + 1)[1:]])


def bass_share(frequency_hz: Array, highest_hz: float) -> Array:
    """(F,) 1 to an octave below the bass's highest frequency, 0 at it, raised cosine between."""
    octaves = np.clip(np.log2(2 * frequency_hz / highest_hz), 0, 1)
    share = np.cos(np.pi / 2 * octaves) ** 2
    return np.asarray(np.where(octaves < 1, share, 0.0))


def smoothed(frequency_hz: Array, square: Array, to_an_octave: float = SMOOTHING) -> Array:
    """(..., F) means of squared pressures over 1/n octave about each frequency.

    Even over the logarithm of frequency; at the ends over what there is.
    """
    place = np.log2(frequency_hz)
    steps = np.diff(place) * (square[..., 1:] + square[..., :-1]) / 2
    area = np.concatenate([np.zeros((*square.shape[:-1], 1)), np.cumsum(steps, axis=-1)], axis=-1)
    ends = [np.clip(place + side / (2 * to_an_octave), place[0], place[-1]) for side in (-1.0, 1.0)]
    low, high = (_at(place, area, end) for end in ends)
    return np.asarray((high - low) / (ends[1] - ends[0]))


def _at(place: Array, values: Array, wanted: Array) -> Array:
    """(..., W) values (..., F) between places by straight lines."""
    index = np.clip(np.searchsorted(place, wanted, side="right") - 1, 0, len(place) - 2)
    share = (wanted - place[index]) / (place[index + 1] - place[index])
    return np.asarray(values[..., index] * (1 - share) + values[..., index + 1] * share)


def _single(levels: Array) -> NDArray[np.float32]:
    return levels.astype(np.float32)


def covers_in(result: Result, variant: int) -> tuple[Cover, ...]:
    """What a variant of the result has on its facets."""
    named = {v.name: v for v in result.scene.variants}
    name = result.variants[variant]
    return covers_of(result.scene, named[name]) if name in named else ()


def paths_between(result: Result, variant: int, source: int, receiver: int) -> list[Reflection]:
    """Every specular path of the result from a source to a receiver."""
    here = (variant, source, receiver)
    return [p for p in result.reflections if (p.variant, p.source, p.receiver) == here]


def _images_in(result: Result, variant: int, f: Array) -> Complex:
    """(source, receiver, F)."""
    images = Images(result.scene_in(variant), covers_in(result, variant))
    sources, receivers = result.energy_batches.shape[2:4]
    return np.array(
        [
            [images.pressure(paths_between(result, variant, s, r), f) for r in range(receivers)]
            for s in range(sources)
        ]
    )


def _rest(result: Result) -> tuple[Array, Array]:
    """(variant, source, receiver, band) energy that isn't the exact paths', and its error."""
    batches = result.energy_batches.sum(axis=-1)
    early = np.zeros(batches.shape[1:])
    bins = len(result.time_s)
    for path in result.reflections:
        if int(path.delay_s / result.bin_s) < bins:
            early[path.variant, path.source, path.receiver] += path.energy
    error = batches.std(axis=0, ddof=1) / np.sqrt(len(batches))
    return np.maximum(batches.mean(axis=0) - early, 0.0), np.asarray(error)


def rest_at(rest: Array, bands_hz: tuple[float, ...], frequency_hz: Array) -> Array:
    """(..., F) energies (..., band) between midbands, over the logarithm of frequency."""
    midbands = np.log([exact_midband_hz(f) for f in bands_hz])
    if len(midbands) == 1:
        return np.broadcast_to(rest, (*rest.shape[:-1], len(frequency_hz)))
    wanted = np.clip(np.log(frequency_hz), midbands[0], midbands[-1])
    return _at(midbands, rest, wanted)


def _played(
    result: Result, bass: Bass, variant: int, f: Array, images: Complex, rest: Array
) -> tuple[Array, Array]:
    """(playback, receiver, F) squared pressure by waves (NaN above them), and by the others."""
    late = rest_at(rest, result.scene.bands_hz, f)
    below = len(bass.frequency_hz)
    waves, geometrical = [], []
    for playback in playbacks_of(result.scene_in(variant)):
        weights = playback.weights(f)
        sent = np.einsum("sf,srf->rf", weights, images)
        geometrical.append(np.abs(sent) ** 2 + np.einsum("sf,srf->rf", np.abs(weights) ** 2, late))
        low = np.einsum("sf,srf->rf", weights[:, :below], bass.response[variant])
        square = np.full(sent.shape, np.nan)
        square[:, :below] = np.abs(low) ** 2
        waves.append(square)
    return np.array(waves), np.array(geometrical)


def _overlap(
    result: Result, bass: Bass, f: Array, images: Complex, rest: Array
) -> tuple[tuple[float, ...], Array]:
    """Thirds in the overlap, and by how much the waves are louder there, dB."""
    highest = float(bass.frequency_hz[-1])
    thirds = bands_within_hz(highest / 2, highest)
    below = len(bass.frequency_hz)
    late = rest_at(rest, result.scene.bands_hz, f[:below])
    geometrical = np.abs(images[..., :below]) ** 2 + late
    if not thirds:
        return (), np.zeros((*rest.shape[:3], 0))
    one, other = (
        level_db(band_squares(bass.frequency_hz, square, thirds))
        for square in (np.abs(bass.response) ** 2, geometrical)
    )
    return thirds, np.asarray(one - other)
