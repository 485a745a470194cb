"""Where rays describe the sound field: above the Schroeder frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name, exact_midband_hz
from raysim.quantities.plausibility import diffuse_field
from raysim.results.data import Result
from raysim.theory.decay import EVALUATION_RANGES_DB, decay_time
from raysim.theory.reverberation import schroeder_frequency

Array = NDArray[np.float64]

MIDDLE_BANDS_HZ = (500.0, 1000.0)
LOWEST_FOR_TIME_HZ = 500.0


@dataclass(frozen=True)
class Transition:
    """Schroeder frequency of each variant and the decay time it was found with.

    Attributes
    ----------
    frequency_hz, time_s : (variant,) float
        `frequency_hz` is 2000 sqrt(time_s / V).
    origin : tuple of str
        Where each `time_s` comes from.
    """

    frequency_hz: Array
    time_s: Array
    origin: tuple[str, ...]


def transition(result: Result) -> Transition:
    """Schroeder frequency from the result's own decay times.

    The decay time is the mean T20 of the octaves 500 Hz and 1 kHz over sources and receivers
    (without them, of all bands from 500 Hz, or else of all). It is taken where rays are valid in
    any room of 20 m3 or more that decays within 1.2 s, so the answer doesn't hang on itself.
    Where no T20 is defined Eyring's formula stands in, and `origin` says so.
    """
    bands = _bands_for_time(result.scene.bands_hz)
    energy = result.energy[..., bands, :]
    times = decay_time(energy, result.bin_s, *EVALUATION_RANGES_DB["T20"])
    estimate = float(diffuse_field(result.scene).eyring_s[bands].mean())
    names = " and ".join(band_name(result.scene.bands_hz[b]) for b in bands)
    time_s, origin = [], []
    for of_variant in times:
        defined = of_variant[np.isfinite(of_variant)]
        time_s.append(defined.mean() if defined.size else estimate)
        formula = f"Eyring's formula at {names}, for want of T20"
        origin.append(f"mean T20 at {names}" if defined.size else formula)
    return Transition(
        schroeder_frequency(np.array(time_s), result.scene.volume),
        np.array(time_s),
        tuple(origin),
    )


def transition_frequency(result: Result) -> Array:
    """Schroeder frequency in Hz of each variant, (variant,): see `transition`."""
    return transition(result).frequency_hz


def ray_validity(result: Result) -> NDArray[np.bool_]:
    """True where the band's exact midband is at or above the Schroeder frequency.

    Returns
    -------
    (variant, source, receiver, band) bool
    """
    midbands = np.array([exact_midband_hz(f) for f in result.scene.bands_hz])
    valid = midbands >= transition_frequency(result)[:, None]
    shape = result.energy_batches.shape[1:5]
    return np.broadcast_to(valid[:, None, None, :], shape)


def invalid_reason(frequency_hz: float, of_decay: bool = True) -> str:
    """Why a decay quantity, or another, is withheld below the Schroeder frequency."""
    meaning = "a ray decay time means nothing here" if of_decay else "ray energies mean little here"
    return f"below the Schroeder frequency, about {5 * round(frequency_hz / 5)} Hz: {meaning}"


def _bands_for_time(bands_hz: tuple[float, ...]) -> list[int]:
    middle = [b for b, f in enumerate(bands_hz) if f in MIDDLE_BANDS_HZ]
    upper = [b for b, f in enumerate(bands_hz) if f >= LOWEST_FOR_TIME_HZ]
    return middle or upper or list(range(len(bands_hz)))
