"""Where rays describe the sound field: above the Schroeder frequency, in rooms not too small."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.quantities.plausibility import diffuse_field
from raysim.results.data import Result
from raysim.scene import playing
from raysim.scene.sizes import STATED_RANGE_M3
from raysim.theory.decay import EVALUATION_RANGES_DB, decay_time
from raysim.theory.reverberation import schroeder_frequency
from raysim.theory.transition import bands_above, bands_for_time, middle_decay_time

Array = NDArray[np.float64]


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
    """Schroeder frequency from the result's own decay times (`raysim.theory.transition`).

    Those of sources that play the band count.

    Where no T20 is defined Eyring's formula stands in, and `origin` says so.
    """
    bands_hz = result.scene.bands_hz
    bands = bands_for_time(bands_hz)
    times = decay_time(result.energy, result.bin_s, *EVALUATION_RANGES_DB["T20"])
    times = np.where(playing.counting(result.scene)[:, None], times, np.nan)
    names = " and ".join(band_name(bands_hz[b]) for b in bands)
    time_s, origin = [], []
    for name, of_variant in zip(result.variants, times, strict=True):
        mean_s = middle_decay_time(of_variant, bands_hz)
        is_defined = bool(np.isfinite(mean_s))
        if not is_defined:
            mean_s = float(diffuse_field(result.scene, name).eyring_s[bands].mean())
        time_s.append(mean_s)
        formula = f"Eyring's formula at {names}, for want of T20"
        origin.append(f"mean T20 at {names}" if is_defined else formula)
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
    valid = bands_above(transition_frequency(result), result.scene.bands_hz)
    shape = result.energy_batches.shape[1:5]
    return np.broadcast_to(valid[:, None, None, :], shape)


def invalid_reason(frequency_hz: float, of_decay: bool = True) -> str:
    """Why a decay quantity, or another, is withheld below the Schroeder frequency."""
    meaning = "a ray decay time means nothing here" if of_decay else "ray energies mean little here"
    return f"below the Schroeder frequency, about {5 * round(frequency_hz / 5)} Hz: {meaning}"


def states_decay(result: Result) -> bool:
    """Whether decay times from rays are stated at all: not below the stated range of volumes.

    In so small a room single modes far apart carry the sound up to the octaves of speech, and the
    geometry of rays gives a decay to a precision that has nothing to do with that of the room.
    """
    return result.scene.volume >= STATED_RANGE_M3[0]


def too_small_reason(volume_m3: float) -> str:
    """Why a decay quantity is withheld in all bands of a small room."""
    return (
        f"the room has {volume_m3:.1f} m3, and below {STATED_RANGE_M3[0]:g} m3 decay times from "
        "rays are not stated"
    )
