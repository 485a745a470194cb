"""Decay times of octave bands below the rays, from the waves' responses.

The impulse response of each band is the inverse transform of the response times a band filter;
its squared envelope is integrated backwards as any other. The filter's sides are a sixth of an
octave of raised cosine on either side of the band's edges: a filter with steep sides rings itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import OCTAVE_LABELS_HZ, band_edges_hz, exact_midband_hz
from raysim.quantities.plausibility import diffuse_field
from raysim.quantities.validity import transition_frequency
from raysim.results.data import Bass, Result
from raysim.theory.decay import EVALUATION_RANGES_DB, TINY, Curve, line_through

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

SIDE = 2 ** (1 / 6)  # the filter's sides reach so far beyond each edge, and within
SAMPLES = 2048  # of the period, which is one over the step of frequency
KEPT = 0.9  # the filter's ringing before the direct sound comes round at the end
LONGEST = 1.2  # of the period: longer decays run into the next
SHORTEST_CYCLES = 16.0  # of the band: in 11 of them the filter itself falls by 60 dB


@dataclass(frozen=True)
class BassDecay:
    """T20 of octaves below the Schroeder frequency, (variant, source, receiver, band).

    Attributes
    ----------
    bands_hz : (band,) nominal
    time_s : float
        Mean over the receiver and the corners of its head zone; NaN where undefined.
    spread_s : float
        Standard deviation over these places.
    shorter, longer : (variant, band) float
        Factors that the ranges of the materials' absorption leave open.
    reason : str
        Why it is undefined, or empty.
    """

    bands_hz: tuple[float, ...]
    time_s: Array
    spread_s: Array
    shorter: Array
    longer: Array
    reason: NDArray[np.object_]


def bass_decay(result: Result, bass: Bass) -> BassDecay:
    """T20 of every octave below the Schroeder frequency that the waves cover with its filter."""
    f = bass.frequency_hz
    below = transition_frequency(result)
    bands = tuple(
        label
        for label in OCTAVE_LABELS_HZ
        if _reach(label)[0] >= f[0]
        and _reach(label)[1] <= f[-1]
        and exact_midband_hz(label) < below.max()
    )
    shape = (*bass.zone.shape[:3], len(bands))
    times, spread = np.full(shape, np.nan), np.full(shape, np.nan)
    reason = np.full(shape, "", dtype=object)
    delays = _delays(result)
    for b, label in enumerate(bands):
        each = _times(bass, label, delays)
        times[..., b], spread[..., b] = each.mean(axis=-1), each.std(axis=-1)
        period_s = 1 / (f[1] - f[0])
        shortest_s = SHORTEST_CYCLES / label
        short, long = times[..., b] < shortest_s, times[..., b] > LONGEST * period_s
        above = np.broadcast_to((exact_midband_hz(label) >= below)[:, None, None], shape[:3])
        for where, why in (
            (np.isnan(times[..., b]), "the band's decay has no straight part of 20 dB"),
            (short, f"below {shortest_s:.2f} s it is the band's filter that rings"),
            (long, f"longer than {LONGEST * period_s:.1f} s, which steps of frequency can't show"),
            (above, "above the Schroeder frequency: see the rays"),
        ):
            reason[..., b][where] = why
    undefined = reason != ""
    times[undefined] = spread[undefined] = np.nan
    shorter, longer = _ranges(result, bands)
    return BassDecay(bands, times, spread, shorter, longer, reason)


def mean_bass_decay(result: Result, variant: int) -> dict[float, tuple[float, float]]:
    """T20 by waves of each octave below the Schroeder frequency, by its nominal label.

    Mean over sources and receivers, and its spread over them and over the head zones, s. Empty
    without the bass; bands that are undefined anywhere are left out.
    """
    if result.bass is None:
        return {}
    decay = bass_decay(result, result.bass)
    found = {}
    for b, label in enumerate(decay.bands_hz):
        times, spread = decay.time_s[variant, ..., b], decay.spread_s[variant, ..., b]
        if np.isfinite(times).all():
            error = np.sqrt((spread**2).mean() + times.var())
            found[label] = (float(times.mean()), float(error))
    return found


def _reach(label_hz: float) -> tuple[float, float]:
    low, high = band_edges_hz(label_hz)
    return low / SIDE, high * SIDE


def band_filter(frequency_hz: Array, label_hz: float) -> Array:
    """(F,) amplitude of the octave filter: a half at each edge of the band."""
    octaves = np.log2(frequency_hz)
    low, high = np.log2(band_edges_hz(label_hz))
    half = np.log2(SIDE)
    rise = np.clip((octaves - low) / (2 * half) + 0.5, 0, 1)
    fall = np.clip((high - octaves) / (2 * half) + 0.5, 0, 1)
    return np.asarray((np.sin(np.pi / 2 * rise) * np.sin(np.pi / 2 * fall)) ** 2)


def band_envelope(frequency_hz: Array, response: Complex, label_hz: float) -> Array:
    """(..., SAMPLES) squared envelope over one period, 1/step seconds, of responses (..., F)."""
    step = frequency_hz[1] - frequency_hz[0]
    spectrum = np.zeros((*response.shape[:-1], SAMPLES), np.complex128)
    first = round(frequency_hz[0] / step)
    spectrum[..., first : first + len(frequency_hz)] = response * band_filter(
        frequency_hz, label_hz
    )
    return np.asarray(np.abs(np.fft.ifft(spectrum, axis=-1)) ** 2)


def _times(bass: Bass, label_hz: float, delays_s: Array) -> Array:
    """(variant, source, receiver, point) T20 in s."""
    f = bass.frequency_hz
    shift = np.exp(2j * np.pi * f * delays_s[..., None, None])
    energy = band_envelope(f, bass.zone * shift, label_hz)[..., : int(KEPT * SAMPLES)]
    bin_s = 1 / (f[1] - f[0]) / SAMPLES
    backward = np.cumsum(energy[..., ::-1], axis=-1)[..., ::-1]
    total = backward[..., 0]
    # What comes after the period is left out of the sum; LONGEST keeps that small.
    level = 10 * np.log10(np.maximum(backward, TINY) / np.maximum(total, TINY)[..., None])
    curve = Curve(level, total, np.zeros_like(total))
    return line_through(curve, bin_s, *EVALUATION_RANGES_DB["T20"]).time_s


def _delays(result: Result) -> Array:
    """(variant, source, receiver) time of the direct sound, s."""
    rooms = [result.scene_in(v) for v in range(len(result.variants))]
    ways = [
        np.linalg.norm(
            np.array([s.position for s in room.sources])[:, None]
            - np.array([r.position for r in room.receivers])[None],
            axis=-1,
        )
        for room in rooms
    ]
    return np.asarray(np.array(ways) / result.scene.climate.speed_of_sound)


def _ranges(result: Result, bands: tuple[float, ...]) -> tuple[Array, Array]:
    """(variant, band) factors of the nearest band that the materials have."""
    given = np.log(result.scene.bands_hz)
    nearest = [int(np.abs(given - np.log(label)).argmin()) for label in bands]
    fields = [diffuse_field(result.scene, name) for name in result.variants]
    return (
        np.array([field.shorter[nearest] for field in fields]),
        np.array([field.longer[nearest] for field in fields]),
    )
