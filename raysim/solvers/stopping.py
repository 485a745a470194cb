"""When a run may stop: precision asked for, or the first limit met."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.estimate import jackknife
from raysim.scene import playing
from raysim.scene.data import Scene
from raysim.settings import BATCHES, Settings
from raysim.solvers.late import RAYS_A_ROUND
from raysim.theory.decay import EVALUATION_RANGES_DB, decay_time
from raysim.theory.reverberation import schroeder_frequency
from raysim.theory.transition import bands_above, middle_decay_time

Array = NDArray[np.float64]
ROUNDS_TO_DEFINE = 64  # half a million rays a source


@dataclass(frozen=True)
class Precision:
    """Largest relative standard error of T20 among those that count.

    T20 counts in the bands above the Schroeder frequency that its source plays; elsewhere none is
    given, so none need be precise. While no T20 says where that is, all bands count.

    Attributes
    ----------
    percent : float
        Infinite while a T20 that counts is undefined, NaN where no band counts.
    place : str
        Its variant where there are several, band, source and receiver; empty where `percent` is
        not finite.
    transition_hz : float
        Schroeder frequency; NaN while no T20 says.
    """

    percent: float
    place: str
    transition_hz: float

    def in_words(self, asked_percent: float | None = None) -> str:
        """'worst T20 error 0.98 % of 1 % (250 Hz, left to seat)', or why there is none."""
        if math.isnan(self.percent):
            about = 5 * round(self.transition_hz / 5)
            return f"no band that a source plays is above the Schroeder frequency, about {about} Hz"
        if math.isinf(self.percent):
            return "a T20 is still undefined"
        asked = "" if asked_percent is None else f" of {asked_percent:g} %"
        return f"worst T20 error {_percent(self.percent)}{asked} ({self.place})"


def precision(energy: Array, scene: Scene, bin_s: float, is_final: bool) -> Precision:
    """Precision of the T20 of every single source and receiver.

    Parameters
    ----------
    energy : (batch, source, receiver, band, time) float
    is_final : bool
        Leave undefined T20s out, for more rays don't seem to define them.
    """
    value, error = jackknife(
        lambda one: decay_time(one, bin_s, *EVALUATION_RANGES_DB["T20"]), energy, elementwise=True
    )
    bands_hz = scene.bands_hz
    heard = np.where(playing.counting(scene)[:, None], value, np.nan)
    transition_hz = float(schroeder_frequency(middle_decay_time(heard, bands_hz), scene.volume))
    counts = np.broadcast_to(playing.plays(scene)[:, None], value.shape)
    if not math.isnan(transition_hz):
        counts = counts & bands_above(transition_hz, bands_hz)
    if not counts.any():
        return Precision(math.nan, "", transition_hz)
    percent = np.where(counts, 100 * error / value, -math.inf)
    undefined = np.isnan(percent)
    if undefined[counts].all() or (undefined.any() and not is_final):
        return Precision(math.inf, "", transition_hz)
    source, receiver, band = np.unravel_index(np.nanargmax(percent), percent.shape)
    place = (
        f"{band_name(bands_hz[band])}, "
        f"{scene.sources[source].name} to {scene.receivers[receiver].name}"
    )
    return Precision(float(percent[source, receiver, band]), place, transition_hz)


class StoppingRule:
    """Says after each round whether to go on, and how many rounds it will take.

    Attributes
    ----------
    wanted : float
        Rounds at which the run is expected to stop; NaN while nothing is known.
    detail : str
        What is known of the precision, in words.
    """

    def __init__(self, scene: Scene, settings: Settings, variants: Sequence[str]) -> None:
        self._scene, self._settings, self._variants = scene, settings, variants
        self._check_at = 1.0
        self.wanted, self.detail = math.nan, ""
        if settings.rays is not None:
            self.wanted = math.ceil(settings.rays / (BATCHES * RAYS_A_ROUND))

    def reason_to_stop(self, energy: Array, rounds: int, spent_s: float) -> str:
        """Which limit is met, with the precision then; empty while none is.

        Parameters
        ----------
        energy : (batch, variant, source, receiver, band, time) float
        rounds : int
            Finished so far, those of an extended run included.
        spent_s : float
            Seconds since this run began.
        """
        rays, limit_s, asked = (
            self._settings.rays,
            self._settings.time_s,
            self._settings.error_percent,
        )
        if rays is not None and rounds >= self.wanted:
            return f"number of rays reached: {self._precision(energy, rounds).in_words()}"
        if limit_s is not None and rounds and spent_s >= limit_s:
            reached = self._precision(energy, rounds).in_words(None if rays else asked)
            return f"time limit of {limit_s:g} s reached: {reached}"
        if rays is not None or rounds < self._check_at:
            return ""
        now = self._precision(energy, rounds)
        if math.isnan(now.percent):
            return f"{now.in_words()}: no T20 is given, so more rays refine none"
        if now.percent <= asked:
            return f"precision reached: {now.in_words(asked)}"
        if math.isinf(now.percent) and rounds >= ROUNDS_TO_DEFINE:
            return "no T20 is defined, and more rays don't help"
        self._look_ahead(now, rounds)
        return ""

    def _look_ahead(self, now: Precision, rounds: int) -> None:
        """A standard error falls as the root of the number of rays."""
        if math.isinf(now.percent):
            self.wanted, self.detail = ROUNDS_TO_DEFINE, now.in_words()
        else:
            self.wanted = 1.05 * rounds * (now.percent / self._settings.error_percent) ** 2
            self.detail = f"T20 to {_percent(now.percent)}"
        self._check_at = min(self.wanted, 2.0 * rounds)

    def _precision(self, energy: Array, rounds: int) -> Precision:
        """That of the variant whose T20 is known worst."""
        bin_s, is_final = self._settings.bin_s, rounds >= ROUNDS_TO_DEFINE
        each = [
            precision(energy[:, v], self._scene, bin_s, is_final)
            for v in range(len(self._variants))
        ]
        worst = int(np.argmax([-1.0 if math.isnan(one.percent) else one.percent for one in each]))
        if len(each) > 1 and each[worst].place:
            place = f"{self._variants[worst]}, {each[worst].place}"
            return dataclasses.replace(each[worst], place=place)
        return each[worst]


def _percent(value: float) -> str:
    return f"{value:.2f} %" if value < 10 else f"{value:.0f} %"
