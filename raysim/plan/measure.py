"""The aim of sets of treatments, exactly: many sets as variants on one trace."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.errors import ResultError
from raysim.estimate import jackknife_error, leave_one_out
from raysim.plan.aim import (
    SMALLEST_NOMINAL_S,
    STEP_DB,
    Column,
    Target,
    Weights,
    steps_outside,
    steps_uneven,
    summed_excess_db,
    weights_of,
)
from raysim.plan.bass import BassBench
from raysim.plan.choose import SURE, Chosen, Outcome
from raysim.quantities.differences import HIGH_HZ, LOW_HZ, MIDDLE_HZ, MIRRORED_M
from raysim.quantities.reflections import judged_bands
from raysim.quantities.validity import ray_validity
from raysim.results.data import Result
from raysim.scene import playing
from raysim.scene.data import Scene
from raysim.scene.pieces import Piece
from raysim.scene.sizes import STATED_RANGE_M3
from raysim.scene.variants import BASE
from raysim.scene.workshop import Workshop
from raysim.settings import Settings
from raysim.solvers.run import run
from raysim.theory import criteria
from raysim.theory.decay import EVALUATION_RANGES_DB, decay_time

Array = NDArray[np.float64]

MOST_AT_ONCE = 64
FEW, FEW_TIMES = 16, 4
"""Runs of few sets, which decide what stays, get so many times the rays."""
MORE_RAYS = (1, 4, 16)
"""Times the rays that a run gets if a decay time is undefined with fewer."""
TOO_FEW = "a decay time of {} is undefined with so few rays; plan with more --rays"
IMAGE_ORDER = 2


class _UndefinedError(Exception):
    """A decay time is undefined."""


@dataclass(frozen=True)
class Measured:
    """A set in numbers.

    Attributes
    ----------
    off : (columns,) float
        Noticeable steps off the aim.
    left_out : (batches, columns) float
    error : (columns,) float
        What the method leaves open of each beside the batches.
    t20_s, t20_error_s : (bands,) float
        Mean over pairs.
    is_dead : bool
        Some band surely decays faster than the lower limit, and than without treatment.
    """

    off: Array
    left_out: Array
    t20_s: Array
    t20_error_s: Array
    error: Array
    is_dead: bool = False

    @property
    def off_error(self) -> Array:
        """(columns,) standard error of `off`."""
        return np.asarray(np.hypot(jackknife_error(self.left_out), self.error))

    def outcome(self, by_column: Array) -> Outcome:
        """Its weighted sum."""
        error = float(np.linalg.norm(self.error * by_column))
        return Outcome(float(self.off @ by_column), self.left_out @ by_column, self.is_dead, error)

    def moved_error(self, other: Measured) -> Array:
        """(columns,) standard error of the difference to another set."""
        sampled = jackknife_error(self.left_out - other.left_out)
        return np.asarray(np.hypot(sampled, np.hypot(self.error, other.error)))


def target_of(scene: Scene, is_judged: NDArray[np.bool_]) -> Target:
    """Tolerance of ITU-R BS.1116-3 about the nominal time of the volume, not less than 0.2 s.

    0.2 s is the floor that EBU Tech 3276 sets to the mean decay time; the formula alone would ask
    for less in rooms below 51.2 m3.
    """
    nominal = max(SMALLEST_NOMINAL_S, criteria.nominal_decay_time(scene.volume))
    lower, upper = criteria.decay_tolerance_s(scene.bands_hz)
    return Target(nominal + lower, nominal + upper, is_judged)


class Bench:
    """Runs sets of pieces of one room and says how far each is off the aim.

    Parameters
    ----------
    pieces : mapping of str to sequence of Piece
        Of each candidate.
    rays : int
        A source, of every run; the same seed each time, so sets share all random numbers.
    bass : BassBench, optional
        With it the bass takes part in the aim.
    """

    def __init__(
        self,
        workshop: Workshop,
        pieces: Mapping[str, Sequence[Piece]],
        weights: Weights,
        rays: int,
        seed: int,
        threads: int | None = None,
        bass: BassBench | None = None,
    ) -> None:
        self.workshop, self.pieces, self.weights, self.bass = workshop, pieces, weights, bass
        self.settings = Settings(rays=rays, seed=seed, threads=threads, image_order=IMAGE_ORDER)
        self.base_result = run(workshop.scene, dataclasses.replace(self.settings, maps=True))
        duration = len(self.base_result.time_s) * self.settings.bin_s
        self.settings = dataclasses.replace(self.settings, duration_s=duration)
        scene = workshop.scene
        judged = ray_validity(self.base_result)[0, 0, 0] & playing.plays(scene).any(axis=0)
        if scene.volume < STATED_RANGE_M3[0]:
            judged = np.zeros_like(judged)
        self.target = target_of(scene, judged)
        self.mates = _mates(scene)
        self.columns = self._columns()
        self.by_column = weights_of(self.columns, weights) if self.columns else np.zeros(0)
        if not self.columns or not self.by_column.any():
            raise ResultError(
                "aim: nothing of it can be computed for this room; add bands from 1 to 8 kHz, or "
                "give another part of the aim a weight"
            )
        self._measured: dict[Chosen, Measured] = {}
        self.evaluated = 0
        try:
            self.base = self._with_bass(self._measure(self.base_result, 0, None), frozenset())
        except _UndefinedError:
            raise ResultError(TOO_FEW.format("the bare room")) from None
        self._measured[frozenset()] = self.base

    @property
    def weighted(self) -> str:
        """Parts of the aim that take part, each with its weight."""
        parts = dict.fromkeys(column.part for column in self.columns)
        return ", ".join(f"{part} {self.weights.of(part):g}" for part in parts)

    def measure(self, sets: Sequence[Chosen]) -> list[Measured]:
        """Numbers of sets, computed together, at most MOST_AT_ONCE on one trace.

        Random decisions of a trace depend on all its variants; so that sets of several traces can
        be compared, each has its distance to the bare room on its own trace.
        """
        new = list(dict.fromkeys(one for one in sets if one))
        for first in range(0, len(new), MOST_AT_ONCE):
            self._run(new[first : first + MOST_AT_ONCE])
        return [self._measured[one] for one in sets]

    def outcomes(self, sets: Sequence[Chosen]) -> list[Outcome]:
        """As the search wants them."""
        return [one.outcome(self.by_column) for one in self.measure(sets)]

    def _run(self, sets: Sequence[Chosen]) -> None:
        variants = {
            f"set {k}": [piece for name in sorted(one) for piece in self.pieces[name]]
            for k, one in enumerate(sets)
        }
        scene = self.workshop.scene_with(variants)
        for more in MORE_RAYS:
            rays = more * (FEW_TIMES if len(sets) <= FEW else 1) * (self.settings.rays or 0)
            result = run(scene, dataclasses.replace(self.settings, rays=rays))
            try:
                self._keep(result, dict(zip(variants, sets, strict=True)))
                break
            except _UndefinedError:
                continue
        else:
            raise ResultError(TOO_FEW.format("a set of the plan"))
        self.evaluated += len(sets)

    def _keep(self, result: Result, sets: Mapping[str, Chosen]) -> None:
        """Remember the sets of a trace, each by its distance to the bare room on that trace."""
        here = self._measure(result, result.variants.index(BASE), None)
        rays = len(here.off)
        found = {}
        for name, one in sets.items():
            measured = self._measure(result, result.variants.index(name), self.base)
            nearer = dataclasses.replace(
                measured,
                off=measured.off + self.base.off[:rays] - here.off,
                left_out=measured.left_out + self.base.left_out[:, :rays] - here.left_out,
            )
            found[one] = self._with_bass(nearer, one)
        self._measured |= found

    def _with_bass(self, measured: Measured, chosen: Chosen) -> Measured:
        """The same with the columns of the bass behind those of the rays."""
        if self.bass is None:
            return measured
        off = self.bass.heard(chosen).off
        batches = len(measured.left_out)
        return dataclasses.replace(
            measured,
            off=np.concatenate([measured.off, off]),
            left_out=np.concatenate([measured.left_out, np.tile(off, (batches, 1))], axis=1),
            error=np.concatenate([measured.error, self.bass.error_steps]),
        )

    def _columns(self) -> tuple[Column, ...]:
        scene, result = self.workshop.scene, self.base_result
        bands = [band_name(f) for f in scene.bands_hz]
        judged = np.flatnonzero(self.target.is_judged)
        columns = []
        by_source = judged_bands(result.scene)
        for s, source in enumerate(scene.sources):
            for receiver in scene.receivers:
                if by_source[s]:
                    words = f"early reflections, {source.name} to {receiver.name}"
                    columns.append(Column("reflections", words))
        limited = np.isfinite(self.target.low) | np.isfinite(self.target.high)
        columns += [Column("decay", f"decay time at {bands[b]}") for b in judged if limited[b]]
        columns += [
            Column("evenness", f"{name} against middle bands") for name, _ in self._ratios()
        ]
        if self.mates:
            columns += [Column("match", f"left and right at {bands[b]}") for b in judged]
        return (*columns, *(self.bass.columns if self.bass is not None else ()))

    def _ratios(self) -> list[tuple[str, tuple[list[int], list[int]]]]:
        """Bands of each ratio of decay times."""

        def own(labels: tuple[float, ...]) -> list[int]:
            of_scene = self.workshop.scene.bands_hz
            return [b for b, f in enumerate(of_scene) if f in labels and self.target.is_judged[b]]

        low, middle, high = own(LOW_HZ), own(MIDDLE_HZ), own(HIGH_HZ)
        return [
            (name, (bands, middle)) for name, bands in (("low", low), ("high", high))
            if bands and middle
        ]  # fmt: skip

    def _measure(self, result: Result, variant: int, base: Measured | None) -> Measured:
        scene, bin_s = self.workshop.scene, result.bin_s
        counts = playing.counting(scene)[:, None, :]
        exact = self._reflections(result, variant)
        judged = np.flatnonzero(self.target.is_judged)
        limited = judged[
            (np.isfinite(self.target.low) | np.isfinite(self.target.high))[judged]
        ].astype(int)
        ratios = self._ratios()

        def evaluate(energy: Array) -> Array:
            t20 = decay_time(energy, bin_s, *EVALUATION_RANGES_DB["T20"])
            mean = np.nanmean(np.where(counts, t20, np.nan), axis=(0, 1))
            decay = steps_outside(mean, self.target.low, self.target.high)[limited]
            uneven = [steps_uneven(mean[a].mean(), mean[b].mean()) for _, (a, b) in ratios]
            level = 10 * np.log10(np.maximum(energy.sum(axis=-1), 1e-30))
            match = [
                np.mean([abs(level[a, r, b] - level[c, r, b]) for a, c, r in self.mates])
                for b in judged
                if self.mates
            ]
            return np.concatenate([decay, uneven, np.array(match) / STEP_DB, mean])

        value, left_out = leave_one_out(evaluate, result.energy_batches[:, variant])
        bands = len(scene.bands_hz)
        t20, t20_error = value[-bands:], jackknife_error(left_out[:, -bands:])
        batches = len(left_out)
        off = np.concatenate([exact, value[:-bands]])
        left = np.concatenate([np.tile(exact, (batches, 1)), left_out[:, :-bands]], axis=1)
        if not np.isfinite(off).all() or not np.isfinite(left).all():
            raise _UndefinedError
        below = t20 + SURE * t20_error < self.target.low
        if base is not None:
            below &= t20 < base.t20_s
        dead = bool((below & self.target.is_judged).any())
        return Measured(off, left, t20, t20_error, np.zeros_like(off), dead)

    def _reflections(self, result: Result, variant: int) -> Array:
        """Decibels above the criterion, summed, of each pair that is judged."""
        by_source = judged_bands(result.scene)
        levels: dict[tuple[int, int], list[float]] = {
            (s, r): []
            for s in range(len(result.scene.sources))
            for r in range(len(result.scene.receivers))
            if by_source[s]
        }
        for path in result.reflections:
            key = (path.source, path.receiver)
            early = path.order >= 1 and path.delay_s <= criteria.REFLECTION_WINDOW_S
            if path.variant == variant and early and key in levels:
                levels[key].append(float(path.level_db[by_source[path.source]].max()))
        return np.array(
            [
                summed_excess_db(np.array(own), criteria.REFLECTION_LEVEL_DB) / STEP_DB
                for own in levels.values()
            ]
        )


def _mates(scene: Scene) -> list[tuple[int, int, int]]:
    """Left source, right source and receiver, where the two stand as each other's mirror image."""
    found = []
    for r, seat in enumerate(scene.receivers):
        right = scene.right_of(seat.facing)
        for a, one in enumerate(scene.sources):
            here = one.position - seat.position
            if here @ right > -MIRRORED_M / 2:
                continue
            image = here - 2 * (here @ right) * right
            off = [
                float(np.linalg.norm(image - (other.position - seat.position)))
                for other in scene.sources
            ]
            if min(off) <= MIRRORED_M:
                found.append((a, int(np.argmin(off)), r))
    return found
