"""Late sound: stochastic rays in rounds and batches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SolverError
from raysim.kernels.ray import NOTHING_EXACT, Plan
from raysim.kernels.walk import energy_left, trace
from raysim.settings import BATCHES
from raysim.solvers.pack import Packed

Array = NDArray[np.float64]
RAYS_A_ROUND = 256  # for each source and batch
LOST_LIMIT = 1e-5
PILOT_RAYS = 4096
PILOT_STEP_S = 0.01
PILOT_END_S = 30.0
FLOOR_DB = -65.0


@dataclass(frozen=True)
class Round:
    """Outcome of one round.

    Attributes
    ----------
    energy : (batch, variant, source, receiver, band, time) re the 10 m free field
    reflections, lost : int
    """

    energy: Array
    reflections: int
    lost: int


def trace_round(
    packed: Packed,
    plan: Plan,
    seed: int,
    number: int,
    bins: int,
    offset_m: Array | None = None,
    exact: NDArray[np.uint64] = NOTHING_EXACT,
) -> Round:
    """Trace round `number`: RAYS_A_ROUND rays for each source and batch.

    `offset_m` (sources, receivers): path length at which each histogram starts; None takes the
    straight line. Paths with keys in `exact` bring nothing.
    """
    sources, receivers = packed.direct_m.shape
    bands = len(packed.attenuation)
    offset = packed.direct_m if offset_m is None else offset_m
    variants = packed.cover.present.shape[1]
    energy = np.empty((BATCHES, variants, sources, receivers, bands, bins))
    reflections = np.zeros((sources, BATCHES), np.int64)
    lost = np.zeros((sources, BATCHES), np.int64)
    lost_ray = np.zeros((sources, BATCHES, 6))
    trace(
        packed.room(plan)._replace(exact=exact),
        offset,
        packed.sources,
        packed.emission,
        seed,
        BATCHES,
        number,
        RAYS_A_ROUND,
        energy,
        reflections,
        lost,
        lost_ray,
    )
    refuse_leaks(reflections, lost, lost_ray)
    return Round(energy, int(reflections.sum()), int(lost.sum()))


def refuse_leaks(reflections: NDArray[np.int64], lost: NDArray[np.int64], ray: Array) -> None:
    """Raise SolverError where more than LOST_LIMIT of the reflections left the room."""
    if lost.sum() <= LOST_LIMIT * max(1, reflections.sum()):
        return
    source, batch = np.argwhere(lost > 0)[0]
    x, y, z = ray[source, batch, :3]
    raise SolverError(
        f"{lost.sum()} of {reflections.sum()} reflections left the room, first from "
        f"({x:.3f}, {y:.3f}, {z:.3f}) m; close the mesh there (raysim check lists open edges)"
    )


def find_duration_s(packed: Packed, plan: Plan, seed: int) -> float:
    """Time for the energy in the room to fall by 65 dB in its slowest band, from a pilot trace."""
    for end_s in (1.0, 4.0, PILOT_END_S):
        steps = round(end_s / PILOT_STEP_S)
        variants = packed.cover.present.shape[1]
        bands = len(packed.attenuation)
        out = np.empty((1, variants, len(packed.sources), 1, bands, steps))
        pilot = plan._replace(bin_s=PILOT_STEP_S)
        energy_left(
            packed.room(pilot),
            packed.sources,
            packed.emission,
            seed,
            PILOT_RAYS,
            out,
        )
        left = (out / out[..., :1]).max(axis=(0, 1, 2, 3, 4))
        below = np.nonzero(left < 10 ** (FLOOR_DB / 10))[0]
        if len(below):
            return float(max(0.1, below[0] * PILOT_STEP_S))
    return PILOT_END_S
