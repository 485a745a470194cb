"""The aim of a plan: how many noticeable steps a room is off what standards ask of it.

Off the aim, each in steps that a listener just notices (theory.noticeable):

- reflections: dB by which specular reflections within 15 ms stand above 10 dB below the direct
  sound (theory.criteria), summed over the reflections of a pair of source and receiver
- decay: T20 of each band outside its tolerance about the nominal time, on a logarithmic scale
- evenness: T20 of the low and of the high bands over that of the middle ones, off 1
- match: level difference of left and right source, each band
- ringing: decay times of modes above what is heard (theory.modal_decay), on a logarithmic scale,
  mean over the modes as they are driven and heard, a seat
- levels: how far third-octave levels of the bass spread over the head zone and bands, a seat

The last two are known where the bass is computed. The sum is each part's mean, weighted. It is
linear in its parts, so that errors follow by the jackknife of the parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.theory import modal_decay

Array = NDArray[np.float64]

PARTS = ("reflections", "decay", "evenness", "match", "ringing", "levels")
BASS_PARTS = ("ringing", "levels")
STEP_SHARE = 0.05
STEP_DB = 1.0
SMALLEST_NOMINAL_S = 0.2
FADE = 1.2
"""Modes count less from the highest frequency over this on."""


@dataclass(frozen=True)
class Weights:
    """How much each part matters."""

    reflections: float = 1.0
    decay: float = 1.0
    evenness: float = 1.0
    match: float = 1.0
    ringing: float = 1.0
    levels: float = 1.0

    def of(self, part: str) -> float:
        """By name of PARTS."""
        return float(getattr(self, part))


@dataclass(frozen=True)
class Target:
    """Where decay times should lie, (bands,) in s; -inf or inf without a limit.

    Attributes
    ----------
    low, high : (bands,) float
        Tolerance of the decay time.
    is_judged : (bands,) bool
        Bands in which rays mean something.
    """

    low: Array
    high: Array
    is_judged: NDArray[np.bool_]


@dataclass(frozen=True)
class Column:
    """One quantity that the aim looks at: its part, and what it is in words."""

    part: str
    words: str


def steps_outside(time_s: Array, low: Array, high: Array) -> Array:
    """Noticeable steps of a decay time (..., bands) outside limits; 0 within."""
    log_time = np.log(time_s)
    with np.errstate(divide="ignore", invalid="ignore"):
        over = log_time - np.log(high)
        under = np.where(low > 0, np.log(np.maximum(low, 1e-9)), -np.inf) - log_time
    return np.asarray(np.maximum(0.0, np.maximum(over, under)) / np.log1p(STEP_SHARE))


def steps_uneven(one_s: Array, other_s: Array) -> Array:
    """Noticeable steps between two decay times (...)."""
    return np.asarray(np.abs(np.log(one_s / other_s)) / np.log1p(STEP_SHARE))


def summed_excess_db(levels_db: Array, criterion_db: float) -> float:
    """Decibels above the criterion, summed over reflections (n,) of one pair."""
    return float(np.maximum(0.0, levels_db - criterion_db).sum())


def audibility(frequency_hz: Array, at_sources: Array, at_receiver: Array, to_hz: float) -> Array:
    """(modes,) 0 to 1: how much each mode is driven and heard; it fades out towards `to_hz`.

    Parameters
    ----------
    frequency_hz, at_receiver : (modes,) float
    at_sources : (modes, sources) float
        Pressures re their root mean square over the room.
    """
    strength = (at_sources**2).mean(axis=1) * at_receiver**2
    below = np.log(to_hz / frequency_hz) / np.log(FADE)
    return np.asarray(strength / (1 + strength) * np.clip(below, 0, 1))


def steps_ringing(frequency_hz: Array, decay_time_s: Array, heard: Array) -> float:
    """Noticeable steps of modes' decay times (modes,) above what is heard, weighted, summed.

    Below and above the tested frequencies the threshold is that of the nearest.
    """
    tested = modal_decay.TEST_SOUNDS_S
    within = np.clip(frequency_hz, tested[0][0], tested[0][-1])
    over = np.log(decay_time_s / modal_decay.threshold_s(within, tested))
    return float((heard * np.maximum(0.0, over)).sum() / np.log1p(STEP_SHARE))


def steps_uneven_levels(levels_db: Array) -> float:
    """Noticeable steps of levels (places, bands), rms about their mean."""
    return float(levels_db.std() / STEP_DB)


def weights_of(columns: tuple[Column, ...], weights: Weights) -> Array:
    """(columns,) weight of each: its part's, shared by the columns of the part."""
    count = {part: sum(c.part == part for c in columns) for part in PARTS}
    return np.array([weights.of(c.part) / count[c.part] for c in columns])
