"""The main job: early and late sound of a scene, until the asked precision."""

from __future__ import annotations

import dataclasses
import datetime
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from raysim.errors import Interrupted, ResultError
from raysim.kernels.ray import Plan
from raysim.kernels.threads import cores, set_num_threads
from raysim.results.data import Bass, Maps, Reflection, Result
from raysim.scene.data import Scene
from raysim.scene.variants import Group, groups_of
from raysim.settings import BATCHES, Settings
from raysim.solvers.bass import compute_bass
from raysim.solvers.early import affordable_order, early_histogram, find_reflections
from raysim.solvers.emission import emission_of
from raysim.solvers.late import RAYS_A_ROUND, Round, find_duration_s, trace_round
from raysim.solvers.maps import map_room
from raysim.solvers.mirrored import Mirrored
from raysim.solvers.pace import Pace, left_s
from raysim.solvers.pack import Packed, pack
from raysim.solvers.stopping import StoppingRule
from raysim.version import __version__

Array = NDArray[np.float64]
MAP_SHARE = 0.25  # of the rays of a run that its maps take


@dataclass(frozen=True)
class Progress:
    """Where a run is: stage in words, fraction done 0..1, detail, seconds left if known."""

    stage: str
    fraction: float
    detail: str = ""
    seconds_left: float | None = None


Listener = Callable[[Progress], None]


def run(
    scene: Scene,
    settings: Settings | None = None,
    progress: Listener | None = None,
    extend: Result | None = None,
    variants: Sequence[str] | None = None,
) -> Result:
    """Compute the sound field of a scene.

    Parameters
    ----------
    scene : Scene
    settings : Settings, optional
        Defaults: T20 to 1 % standard error in every band above the Schroeder frequency.
    progress : callable, optional
        Called with a Progress now and then.
    extend : Result, optional
        Earlier result of the same scene and seed to continue; the outcome equals an
        uninterrupted run.
    variants : sequence of str, optional
        Names of the variants to compute; None takes all.

    Raises
    ------
    SceneError
        A receiver too close to a surface.
    ResultError
        `extend` is of another scene or of settings that shape the histogram differently.
    SolverError
        Rays leave the room.
    Interrupted
        Ctrl-C; its `partial` holds a Result if a round was finished.
    """
    told = progress or (lambda _: None)
    return _Run(scene, settings or Settings(), variants, told, extend).finish()


class _Group:
    """Variants that one trace serves."""

    def __init__(self, group: Group, settings: Settings, order: int) -> None:
        self.scene, self.order, self.covers = group.scene, order, group.covers
        self.packed: Packed = pack(
            group.scene, settings.receiver_radius_m, group.covers, settings.receiver_growth
        )
        self.plan = Plan(
            order, self.packed.speed, self.packed.attenuation, math.inf, settings.bin_s
        )
        self.seed, self.bins = settings.seed, 0

    def pack_first(self, settings: Settings) -> Packed:
        """Arrays of the first variant alone."""
        if len(self.covers) == 1:
            return self.packed
        radius_m, growth = settings.receiver_radius_m, settings.receiver_growth
        return pack(self.scene, radius_m, self.covers[:1], growth)

    def find_duration_s(self) -> float:
        return find_duration_s(self.packed, self.plan, self.seed)

    def find_early(self, bins: int, first_variant: int) -> list[Reflection]:
        """Exact paths that fit `bins`, their variants numbered from `first_variant`."""
        self.bins = bins
        longest = self.packed.direct_m.max() + bins * self.plan.bin_s * self.plan.speed
        self.plan = self.plan._replace(longest=float(longest))
        found = find_reflections(self.scene, self.packed, self.order, float(longest))
        shape = (
            self.packed.cover.present.shape[1],
            *self.packed.direct_m.shape,
            len(self.scene.bands_hz),
            bins,
        )
        self.early = early_histogram(found, shape, self.plan.bin_s)
        self.mirrored = Mirrored(self.packed, self.plan, self.seed, self.early)
        return [dataclasses.replace(path, variant=path.variant + first_variant) for path in found]

    def trace(self, number: int) -> Round:
        """Round `number`, without the exact paths, of which `early` then holds the energy."""
        exact = self.mirrored.learn(number)
        return trace_round(self.packed, self.plan, self.seed, number, self.bins, exact=exact)


class _Run:
    """State of one run between rounds."""

    def __init__(
        self,
        scene: Scene,
        settings: Settings,
        variants: Sequence[str] | None,
        progress: Listener,
        extend: Result | None,
    ) -> None:
        self.started = time.monotonic()
        self.scene, self.settings, self.progress = scene, settings, progress
        set_num_threads(settings.threads or cores())
        progress(Progress("preparing the tracer (compiles once, about half a minute)", 0.0))
        groups = groups_of(scene, variants)
        pairs = len(scene.sources) * len(scene.receivers)
        facets = max(len(group.scene.facets) for group in groups)
        order = settings.image_order
        self.order = affordable_order(facets, pairs) if order is None else order
        self.groups = [_Group(group, settings, self.order) for group in groups]
        self.variants = tuple(name for group in groups for name in group.variants)
        duration = settings.duration_s
        if extend is not None:
            duration = len(extend.time_s) * settings.bin_s
        if duration is None:
            progress(Progress("finding how long the room rings", 0.0))
            duration = max(group.find_duration_s() for group in self.groups)
        self.bins = max(1, math.ceil(duration / settings.bin_s - 1e-9))
        progress(Progress(f"finding exact reflections to order {self.order}", 0.0))
        self.reflections: list[Reflection] = []
        first = 0
        for group, of_scene in zip(self.groups, groups, strict=True):
            self.reflections += group.find_early(self.bins, first)
            first += len(of_scene.variants)
        shape = (len(scene.sources), len(scene.receivers), len(scene.bands_hz), self.bins)
        self.mean = np.zeros((BATCHES, len(self.variants), *shape))
        self.rounds, self.reflection_count, self.lost, self.before_s = 0, 0, 0, 0.0
        self.bass: Bass | None = None
        self.bass_s = 0.0
        if extend is not None:
            self._continue(extend)

    def _continue(self, earlier: Result) -> None:
        same = (
            earlier.scene.mesh_sha256 == self.scene.mesh_sha256
            and earlier.scene.text == self.scene.text
            and earlier.settings.seed == self.settings.seed
            and earlier.settings.bin_s == self.settings.bin_s
            and earlier.settings.receiver_radius_m == self.settings.receiver_radius_m
            and earlier.settings.receiver_growth == self.settings.receiver_growth
            and earlier.image_order == self.order
            and earlier.variants == self.variants
            and earlier.energy_batches.shape == self.mean.shape
            and np.array_equal(
                emission_of(earlier.scene).energy, self.groups[0].packed.emission.energy
            )
        )
        if not same:
            raise ResultError(
                "extend: the earlier result is of another scene, variants, seed, image order, bin "
                "or receiver radius; run without it, or with the same scene file and options"
            )
        self.mean = earlier.energy_batches.copy()
        self.rounds, self.lost = earlier.rounds, earlier.lost_rays
        self.reflection_count = earlier.reflection_count
        self.before_s = earlier.duration_of_run_s
        if earlier.settings.bass_to_hz == self.settings.bass_to_hz:
            self.bass = earlier.bass

    def finish(self) -> Result:
        """Trace rounds until a limit is met."""
        rule = StoppingRule(self.scene, self.settings, self.variants)
        pace = Pace(self.settings.time_s)
        try:
            if self.settings.bass and self.bass is None:
                self._compute_bass()
            while not (stop := rule.reason_to_stop(self.mean, self.rounds, self._tracing_s())):
                fraction, left_s = pace.judge(self.rounds, rule.wanted, self._tracing_s())
                self.progress(Progress("tracing rays", fraction, rule.detail, left_s))
                self._trace_one()
                pace.finished(self.rounds, self._tracing_s())
            return self._result(stop, self._maps() if self.settings.maps else None)
        except KeyboardInterrupt:
            stopped = Interrupted("interrupted")
            stopped.partial = self._result("interrupted") if self.rounds else None
            raise stopped from None

    def _spent_s(self) -> float:
        return time.monotonic() - self.started

    def _tracing_s(self) -> float:
        """What counts against the time limit."""
        return self._spent_s() - self.bass_s

    def _compute_bass(self) -> None:
        began = self._spent_s()
        self.bass = compute_bass(
            self.scene, self.variants, self.settings.bass_to_hz, self._teller()
        )
        self.bass_s = self._spent_s() - began

    def _teller(self) -> Callable[[str, float], None]:
        """Tells how far a part of the run is that begins now."""
        began = self._spent_s()

        def tell(stage: str, fraction: float) -> None:
            left = left_s(fraction, self._spent_s() - began)
            self.progress(Progress(stage, fraction, seconds_left=left))

        return tell

    def _trace_one(self) -> None:
        done = [group.trace(self.rounds) for group in self.groups]
        self.rounds += 1
        first = 0
        for group, one in zip(self.groups, done, strict=True):
            last = first + one.energy.shape[1]
            # Batch by batch, in place: with many variants memory is slower than rays.
            for mean, change in zip(self.mean[:, first:last], one.energy, strict=True):
                change += group.early
                change -= mean
                change /= self.rounds
                mean += change
            first = last
        self.reflection_count += sum(one.reflections for one in done)
        self.lost += sum(one.lost for one in done)

    def _maps(self) -> Maps:
        tell = partial(self._teller(), "mapping where energy meets the surfaces")
        tell(0.0)
        first = self.groups[0]
        return map_room(
            first.scene,
            first.pack_first(self.settings),
            first.plan,
            self.settings.seed,
            math.ceil(self.rounds * MAP_SHARE),
            self.mean[:, 0].mean(axis=0),
            [path for path in self.reflections if path.variant == 0],
            tell,
        )

    def _result(self, stopped_by: str, maps: Maps | None = None) -> Result:
        return Result(
            scene=self.scene,
            settings=dataclasses.replace(self.settings),
            variants=self.variants,
            image_order=self.order,
            time_s=np.arange(self.bins, dtype=np.float64) * self.settings.bin_s,
            energy_batches=self.mean.copy(),
            reflections=tuple(self.reflections),
            rounds=self.rounds,
            rays=self.rounds * BATCHES * RAYS_A_ROUND,
            reflection_count=self.reflection_count,
            lost_rays=self.lost,
            receiver_radius_m=self.groups[0].packed.receivers.radius,
            stopped_by=stopped_by,
            duration_of_run_s=self.before_s + self._spent_s(),
            raysim_version=__version__,
            created=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
            maps=maps,
            bass=self.bass if self.settings.bass else None,
        )
