"""Energy by time: of what arrives at receivers, and of what is left in the room."""

from __future__ import annotations

from math import exp

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.abreast import Rays
from raysim.kernels.compiled import inlined
from raysim.kernels.count import Arrivals
from raysim.kernels.lanes import lowest
from raysim.kernels.ray import Room


@inlined
def add_variants(
    shared: float, rays: Rays, lane: int, b: int, c: int, out: NDArray[np.float64]
) -> None:
    """Add what a ray carries in band b, of class c, to out : (variants,)."""
    chance, energy = rays.chance_of[lane, c], rays.energy_of[lane, b]
    for v in range(len(out)):
        out[v] += shared * chance[v] * energy[v]


@inlined
def record(
    room: Room,
    offset: NDArray[np.float64],
    arrivals: Arrivals,
    count: int,
    rays: Rays,
    out: NDArray[np.float64],
) -> None:
    """Add arrivals to out : (receivers, time, bands, variants), `offset` m after the start."""
    plan, boundary = room.plan, room.boundary
    for a in range(count):
        lane, r, length = arrivals.lane[a], arrivals.receiver[a], arrivals.length[a]
        k = int(max(0.0, length - offset[r]) / (plan.speed * plan.bin_s))
        if k >= out.shape[1]:
            continue
        for b in range(len(rays.energy)):
            c = boundary.band_class[b]
            shared = rays.chance[c, lane] * rays.energy[b, lane]
            shared *= arrivals.weight[a] * exp(-plan.attenuation[b] * length)
            add_variants(shared, rays, lane, b, c, out[r, k, b])


@inlined
def hand_over(histogram: NDArray[np.float64], rays: int, out: NDArray[np.float64]) -> None:
    """Mean over rays to out : (variants, receivers, bands, time), and empty the histogram."""
    share = 1.0 / rays
    for r in range(out.shape[1]):
        for b in range(out.shape[2]):
            for v in range(out.shape[0]):
                for k in range(out.shape[3]):
                    out[v, r, b, k] = histogram[r, k, b, v] * share
    histogram[:] = 0.0


@inlined
def sample_one(room: Room, rays: Rays, lane: int, out: NDArray[np.float64]) -> bool:
    """Add the energy of a ray at the times of its present segment; whether the last has passed."""
    plan = room.plan
    step = plan.bin_s * plan.speed
    end = rays.before[lane] + rays.since[lane] + rays.t[lane]
    while rays.sampled[lane] < out.shape[0] and rays.sampled[lane] * step < end:
        k = rays.sampled[lane]
        for b in range(len(rays.energy)):
            c = room.boundary.band_class[b]
            shared = rays.chance[c, lane] * rays.energy[b, lane]
            shared *= exp(-plan.attenuation[b] * k * step)
            add_variants(shared, rays, lane, b, c, out[k, b])
        rays.sampled[lane] += 1
    return rays.sampled[lane] == out.shape[0]


@inlined
def sample(room: Room, rays: Rays, alive: int, out: NDArray[np.float64]) -> int:
    """Add what rays carry at the times k * bin_s to out : (time, bands, variants); who goes on."""
    left = alive
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        if sample_one(room, rays, lane, out):
            alive &= ~(1 << lane)
    return alive
