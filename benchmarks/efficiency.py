"""Precision per processor second of decay times: the product's way over the plain way.

    python benchmarks/efficiency.py [--seeds 4] [--rounds 16]

In `scenes/control_room.toml`, one thread, rounds of 8,192 rays a source from the same start
directions. Efficiency is 1 / (relative variance x processor seconds), the variance by jackknife
over batches. The plain way: a fixed sphere of 0.2 m for all sound, no images, each ray followed
down to 1e-6 of its start, bands together as in the product. Both ways take turns. One JSON line:
ratios of mean efficiency over pairs and bands, its least and largest of single seeds, and the
ratio for the worst pair and band of each way, which says when a run stops.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from raysim.estimate import jackknife_error, leave_one_out
from raysim.kernels.ray import NOTHING_EXACT, Plan
from raysim.kernels.threads import set_num_threads
from raysim.scene.data import Scene
from raysim.scene.read import load_scene
from raysim.settings import Settings
from raysim.solvers.early import affordable_order, early_histogram, find_reflections
from raysim.solvers.late import trace_round
from raysim.solvers.mirrored import Mirrored
from raysim.solvers.pack import pack
from raysim.theory.decay import EVALUATION_RANGES_DB, decay_time

Array = NDArray[np.float64]
SCENE = Path(__file__).resolve().parents[1] / "scenes" / "control_room.toml"
BINS, BIN_S = 700, 0.001
PLAIN_RADIUS_M, PLAIN_FAINT = 0.2, 1e-6


@dataclass(frozen=True)
class Way:
    """How sound is computed."""

    radius_m: float
    growth: float
    order: int
    is_plain: bool


def histogram(scene: Scene, way: Way, seed: int, rounds: int) -> tuple[Array, float]:
    """(batch, source, receiver, band, time) energy, and processor seconds."""
    packed = pack(scene, way.radius_m, growth=way.growth)
    longest = float(packed.direct_m.max() + BINS * BIN_S * packed.speed)
    plan = Plan(way.order, packed.speed, packed.attenuation, longest, BIN_S)
    if way.is_plain:
        plan = plan._replace(faint=PLAIN_FAINT)
    started = time.process_time()
    listed = find_reflections(scene, packed, way.order, longest)
    shape = (1, *packed.direct_m.shape, len(scene.bands_hz), BINS)
    exact = early_histogram(listed, shape, BIN_S)
    mirrored = Mirrored(packed, plan, seed, exact)
    total: Array | None = None
    for number in range(rounds):
        keys = NOTHING_EXACT if way.is_plain else mirrored.learn(number)
        energy = trace_round(packed, plan, seed, number, BINS, exact=keys).energy
        energy += exact
        total = energy if total is None else total + energy
    spent_s = time.process_time() - started
    assert total is not None
    return total[:, 0] / rounds, spent_s


def costs(energy: Array, spent_s: float) -> dict[str, Array]:
    """Relative variance times seconds of each quantity, (pairs, bands)."""
    found = {}
    for name, limits in EVALUATION_RANGES_DB.items():
        value, left_out = leave_one_out(
            lambda one, limits=limits: decay_time(one, BIN_S, *limits), energy, elementwise=True
        )
        relative = (jackknife_error(left_out) / value) ** 2
        found[name] = spent_s * relative.reshape(-1, relative.shape[-1])
    return found


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--rounds", type=int, default=16)
    options = parser.parse_args()
    set_num_threads(1)
    scene, usual = load_scene(SCENE), Settings()
    pairs = len(scene.sources) * len(scene.receivers)
    order = affordable_order(len(scene.facets), pairs)
    ways = {
        "product": Way(usual.receiver_radius_m, usual.receiver_growth, order, False),
        "plain": Way(PLAIN_RADIUS_M, 0.0, 0, True),
    }
    for way in ways.values():
        histogram(scene, way, 0, 1)  # compiles
    each: dict[str, list[dict[str, Array]]] = {name: [] for name in ways}
    seconds: dict[str, list[float]] = {name: [] for name in ways}
    for seed in range(1, options.seeds + 1):
        for name, way in ways.items():
            energy, spent_s = histogram(scene, way, seed, options.rounds)
            each[name].append(costs(energy, spent_s))
            seconds[name].append(spent_s)
    told: dict[str, object] = {
        "seeds": options.seeds,
        "rays": options.rounds * 8192,
        "seconds": {name: round(float(np.median(own)), 2) for name, own in seconds.items()},
    }
    for quantity in EVALUATION_RANGES_DB:
        mean, worst, single = {}, {}, {}
        for name, own in each.items():
            stack = np.array([one[quantity] for one in own])
            mean[name] = float(np.nanmean(stack))
            worst[name] = float(np.nanmax(np.nanmean(stack, axis=0)))
            single[name] = np.nanmean(stack, axis=(1, 2))
        ratios = single["plain"] / single["product"]
        told[quantity] = {
            "mean": round(mean["plain"] / mean["product"], 1),
            "least": round(float(ratios.min()), 1),
            "most": round(float(ratios.max()), 1),
            "worst_pair": round(worst["plain"] / worst["product"], 1),
        }
    print(json.dumps(told))


if __name__ == "__main__":
    main()
