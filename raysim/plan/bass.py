"""The bass of sets of treatments: how long modes ring, how even the levels are at the seats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name, bands_within_hz
from raysim.plan.aim import Column, audibility, steps_ringing, steps_uneven_levels
from raysim.plan.choose import Chosen
from raysim.quantities.bass_levels import band_squares, level_db
from raysim.quantities.playback import playbacks_of
from raysim.scene.pieces import Piece
from raysim.scene.workshop import Workshop
from raysim.solvers.bass import LOWEST_HZ, schroeder_hz
from raysim.solvers.bass_trials import TrialModes, Trials
from raysim.waves.threads import one_thread

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

HIGHEST_HZ, LEAST_HIGHEST_HZ = 180.0, 100.0
OVER_SCHROEDER = 1.25
MODES_SHARE = 1.1
"""The bass reaches so far above the highest mode that is looked at."""
LEVELS_FROM_HZ = 40.0
PER_OCTAVE = 24
ERROR_STEPS = {"ringing": 0.1, "levels": 0.05}
"""What the common basis leaves open of each column, against one made for the set alone."""
BARE, EVERY = "bare", "every"


@dataclass(frozen=True)
class Heard:
    """The bass of a set.

    Attributes
    ----------
    off : (columns,) float
        Noticeable steps off the aim.
    modes : TrialModes
    """

    off: Array
    modes: TrialModes


class BassBench:
    """Says of sets how far their bass is off the aim.

    Sets that differ in covers only share a mesh and a basis (`solvers.bass_trials`); each set of
    objects, such as corner traps, has its own.

    Parameters
    ----------
    pieces : mapping of str to sequence of Piece
        Of each candidate.
    """

    def __init__(
        self,
        workshop: Workshop,
        pieces: Mapping[str, Sequence[Piece]],
    ) -> None:
        scene = workshop.scene
        self.workshop, self.pieces = workshop, dict(pieces)
        self.highest_hz = float(
            np.clip(OVER_SCHROEDER * schroeder_hz(scene), LEAST_HIGHEST_HZ, HIGHEST_HZ)
        )
        self.modes_to_hz = self.highest_hz / MODES_SHARE
        octaves = np.log2(self.highest_hz / LOWEST_HZ)
        self.frequencies_hz = LOWEST_HZ * 2 ** (
            np.linspace(0, octaves, int(np.ceil(PER_OCTAVE * octaves)) + 1)
        )
        self.bands_hz = [
            f for f in bands_within_hz(LOWEST_HZ, self.highest_hz) if f >= LEVELS_FROM_HZ
        ]
        self.objects = {
            name for name, own in self.pieces.items() if any(p.treatment.is_object for p in own)
        }
        self.playback = playbacks_of(scene)[-1]
        self._trials: dict[Chosen, Trials] = {}
        self._heard: dict[Chosen, Heard] = {}
        with one_thread():
            bare = self._trials_of(frozenset())
            modes = bare.modes(bare.base)
        self.weight = np.array(
            [audibility(modes.frequency_hz, modes.at_sources, at, self.modes_to_hz).sum()
             for at in modes.at_receivers.T]
        )  # fmt: skip
        self.columns = self._columns()
        self.bare = self.heard(frozenset())

    @property
    def error_steps(self) -> Array:
        """(columns,) what the method leaves open of each."""
        return np.array([ERROR_STEPS[column.part] for column in self.columns])

    def keep(self, names: Sequence[str]) -> None:
        """Look at these candidates only."""
        self.pieces = {name: self.pieces[name] for name in names}

    def heard(self, chosen: Chosen) -> Heard:
        """The bass of a set."""
        if chosen not in self._heard:
            with one_thread():
                self._heard[chosen] = self._computed(chosen)
        return self._heard[chosen]

    def _computed(self, chosen: Chosen) -> Heard:
        trials = self._trials_of(chosen & self.objects)
        treated = trials.treated(sorted(chosen - self.objects))
        modes = trials.modes(treated)
        frequencies_hz, pressure = trials.response(treated, LEVELS_FROM_HZ / 1.2)
        off = [*self._ringing(modes), *self._unevenness(frequencies_hz, pressure)]
        return Heard(np.array(off), modes)

    def promise(self, name: str) -> float:
        """Steps by which a cover shortens the ringing to first order, mean over seats."""
        bare = self._trials_of(frozenset())
        before, after = bare.decay_times_with(name)
        modes = self.bare.modes
        gains = [
            steps_ringing(modes.frequency_hz, before, heard)
            - steps_ringing(modes.frequency_hz, after, heard)
            for heard in self._audible(modes)
        ]
        return float(np.mean(np.array(gains) / np.maximum(self.weight, 1e-9)))

    def _audible(self, modes: TrialModes) -> list[Array]:
        return [
            audibility(modes.frequency_hz, modes.at_sources, at, self.modes_to_hz)
            for at in modes.at_receivers.T
        ]

    def _ringing(self, modes: TrialModes) -> list[float]:
        return [
            steps_ringing(modes.frequency_hz, modes.decay_time_s, heard) / weight
            for heard, weight in zip(self._audible(modes), self.weight, strict=True)
            if weight > 0
        ]

    def _unevenness(self, frequencies_hz: Array, pressure: Complex) -> list[float]:
        if len(self.bands_hz) < 3:
            return []
        weights = self.playback.weights(frequencies_hz)
        together = np.einsum("sf,srpf->rpf", weights, pressure)
        levels = level_db(band_squares(frequencies_hz, np.abs(together) ** 2, self.bands_hz))
        return [steps_uneven_levels(own) for own in levels]

    def _columns(self) -> tuple[Column, ...]:
        names = [r.name for r in self.workshop.scene.receivers]
        ringing = [
            Column("ringing", f"ringing of modes at {name}")
            for name, weight in zip(names, self.weight, strict=True)
            if weight > 0
        ]
        if len(self.bands_hz) < 3:
            return tuple(ringing)
        ends = f"{band_name(self.bands_hz[0])} to {band_name(self.bands_hz[-1])}"
        return (*ringing, *(Column("levels", f"levels at {n}, {ends}") for n in names))

    def _trials_of(self, objects: Chosen) -> Trials:
        """One geometry with all covers that may be in it."""
        if objects not in self._trials:
            bodies = [piece for name in sorted(objects) for piece in self.pieces[name]]
            covers = {n: list(own) for n, own in self.pieces.items() if n not in self.objects}
            every = sorted(
                (piece for own in covers.values() for piece in own), key=self._absorption
            )
            names = {name: f"with {name}" for name in covers}
            variants = {BARE: bodies, EVERY: [*bodies, *every]}
            variants |= {names[name]: [*bodies, *own] for name, own in covers.items()}
            scene = self.workshop.scene_with(variants)
            self._trials[objects] = Trials(
                scene, BARE, EVERY, names, self.frequencies_hz, self.modes_to_hz
            )
        return self._trials[objects]

    def _absorption(self, piece: Piece) -> float:
        return float(self.workshop.material_of(piece).absorption[0])
