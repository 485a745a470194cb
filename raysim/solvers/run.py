"""The main job: early and late sound of a scene, until the asked precision."""

from __future__ import annotations

import dataclasses
import datetime
import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.errors import Interrupted, ResultError
from raysim.kernels.compiled import get_num_threads, set_num_threads
from raysim.kernels.ray import Plan
from raysim.results.data import Result
from raysim.scene.data import Scene
from raysim.settings import BATCHES, Settings
from raysim.solvers.early import affordable_order, early_histogram, find_reflections
from raysim.solvers.emission import emission_of
from raysim.solvers.late import RAYS_A_ROUND, find_duration_s, trace_round
from raysim.solvers.pace import Pace
from raysim.solvers.pack import Packed, pack
from raysim.solvers.stopping import StoppingRule
from raysim.version import __version__

Array = NDArray[np.float64]


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
    return _Run(scene, settings or Settings(), progress or (lambda _: None), extend).finish()


class _Run:
    """State of one run between rounds."""

    def __init__(
        self, scene: Scene, settings: Settings, progress: Listener, extend: Result | None
    ) -> None:
        self.started = time.monotonic()
        self.scene, self.settings, self.progress = scene, settings, progress
        set_num_threads(min(settings.threads or get_num_threads(), get_num_threads()))
        progress(Progress("preparing the tracer (compiles once, about half a minute)", 0.0))
        self.packed: Packed = pack(scene, settings.receiver_radius_m)
        pairs = self.packed.direct_m.size
        order = settings.image_order
        self.order = affordable_order(len(scene.facets), pairs) if order is None else order
        self.plan = Plan(
            self.order, self.packed.speed, self.packed.attenuation, math.inf, settings.bin_s
        )
        duration = settings.duration_s
        if extend is not None:
            duration = len(extend.time_s) * settings.bin_s
        if duration is None:
            progress(Progress("finding how long the room rings", 0.0))
            duration = find_duration_s(self.packed, self.plan, settings.seed)
        self.bins = max(1, math.ceil(duration / settings.bin_s - 1e-9))
        longest = self.packed.direct_m.max() + self.bins * settings.bin_s * self.packed.speed
        self.plan = self.plan._replace(longest=float(longest))
        progress(Progress(f"finding exact reflections to order {self.order}", 0.0))
        self.reflections = find_reflections(scene, self.packed, self.order, float(longest))
        sources, receivers = self.packed.direct_m.shape
        shape = (sources, receivers, len(scene.bands_hz), self.bins)
        self.early = early_histogram(self.reflections, shape, settings.bin_s)
        self.mean = np.zeros((BATCHES, *shape))
        self.rounds, self.reflection_count, self.lost, self.before_s = 0, 0, 0, 0.0
        if extend is not None:
            self._continue(extend)

    def _continue(self, earlier: Result) -> None:
        same = (
            earlier.scene.mesh_sha256 == self.scene.mesh_sha256
            and earlier.scene.text == self.scene.text
            and earlier.settings.seed == self.settings.seed
            and earlier.settings.bin_s == self.settings.bin_s
            and earlier.settings.receiver_radius_m == self.settings.receiver_radius_m
            and earlier.image_order == self.order
            and earlier.energy_batches[:, 0].shape == self.mean.shape
            and np.array_equal(emission_of(earlier.scene).energy, self.packed.emission.energy)
        )
        if not same:
            raise ResultError(
                "extend: the earlier result is of another scene, seed, image order, bin or "
                "receiver radius; run without it, or with the same scene file and options"
            )
        self.mean = earlier.energy_batches[:, 0].copy()
        self.rounds, self.lost = earlier.rounds, earlier.lost_rays
        self.reflection_count = earlier.reflection_count
        self.before_s = earlier.duration_of_run_s

    def finish(self) -> Result:
        """Trace rounds until a limit is met."""
        rule, pace = StoppingRule(self.scene, self.settings), Pace(self.settings.time_s)
        try:
            while not (stop := rule.reason_to_stop(self.mean, self.rounds, self._spent_s())):
                fraction, left_s = pace.judge(self.rounds, rule.wanted, self._spent_s())
                self.progress(Progress("tracing rays", fraction, rule.detail, left_s))
                self._trace_one()
                pace.finished(self.rounds, self._spent_s())
            return self._result(stop)
        except KeyboardInterrupt:
            stopped = Interrupted("interrupted")
            stopped.partial = self._result("interrupted") if self.rounds else None
            raise stopped from None

    def _spent_s(self) -> float:
        return time.monotonic() - self.started

    def _trace_one(self) -> None:
        done = trace_round(self.packed, self.plan, self.settings.seed, self.rounds, self.bins)
        self.rounds += 1
        self.mean += (done.energy + self.early - self.mean) / self.rounds
        self.reflection_count += done.reflections
        self.lost += done.lost

    def _result(self, stopped_by: str) -> Result:
        return Result(
            scene=self.scene,
            settings=dataclasses.replace(self.settings),
            variants=("base",),
            image_order=self.order,
            time_s=np.arange(self.bins, dtype=np.float64) * self.settings.bin_s,
            energy_batches=self.mean[:, None].copy(),
            reflections=tuple(self.reflections),
            rounds=self.rounds,
            rays=self.rounds * BATCHES * RAYS_A_ROUND,
            reflection_count=self.reflection_count,
            lost_rays=self.lost,
            receiver_radius_m=self.packed.receivers.radius,
            stopped_by=stopped_by,
            duration_of_run_s=self.before_s + self._spent_s(),
            raysim_version=__version__,
            created=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        )
