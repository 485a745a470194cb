"""Reflections a second of the whole loop, against one written with Embree and numpy; one core.

    python benchmarks/loop.py [TRIANGLES ...] [--rays N] [--repeats N]

Needs embreex (pip install "raysim[bench]"). Prints a JSON line a scene: million reflections a
second of processor time of both, and their ratio, as median and range over repeats that alternate.

The other loop is what a careful engineer writes in a day: arrays of live rays, one reflection a
step, six bands, specular or Lambert by one scattering, one sphere, air, bins of 1 ms, rays ended
at 1e-3. Ours does what the product does: scattering by band with hero weights, mirrored paths at
the very point, growing spheres, Russian roulette, random numbers by history. The last line is ours
on two threads over one, by the clock.
"""

from __future__ import annotations

import argparse
import json
import time
from importlib.metadata import version

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from made import BALLS, corners_of, facets_of, rays_in
from numpy.typing import NDArray
from rays import spread

from raysim.kernels.boundary import Boundary, Cover
from raysim.kernels.build import build_tree
from raysim.kernels.emission import Emission
from raysim.kernels.ray import Plan, Receivers, Room
from raysim.kernels.threads import set_num_threads
from raysim.kernels.walk import trace

Array = NDArray[np.float64]
SPEED, BIN_S, BINS = 343.0, 0.001, 1000
SOURCE, RECEIVER, RADIUS = (1.25, 0.9, 1.25), (2.1, 3.3, 1.45), 0.25
ABSORPTION = np.array([0.10, 0.11, 0.10, 0.12, 0.14, 0.20])
SCATTERING = np.array([0.05, 0.08, 0.10, 0.12, 0.15, 0.20])
AIR = np.array([0.0001, 0.0003, 0.0006, 0.001, 0.0019, 0.0058])
FAINT = 1e-3
BATCHES, TWO_THREADS_IN = 32, 2_000


def main() -> None:
    """Measure each scene."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("triangles", nargs="*", type=int, default=[12, 2_000, 20_000, 130_000])
    parser.add_argument("--rays", type=int, default=16_384)
    parser.add_argument("--repeats", type=int, default=5)
    options = parser.parse_args()
    set_num_threads(1)
    print(json.dumps({"embreex": version("embreex"), "rays": options.rays}))
    for triangles in options.triangles:
        if triangles not in BALLS:
            parser.error(f"{triangles}: choose from {', '.join(map(str, BALLS))}")
        print(json.dumps(measure(triangles, options.rays, options.repeats)), flush=True)
    print(json.dumps({"two_threads_over_one": two_threads(options.rays, options.repeats)}))


def measure(triangles: int, rays: int, repeats: int) -> dict[str, object]:
    """Both loops in turn."""
    corners = corners_of(triangles)
    room = room_of(corners)
    embree = EmbreeScene()
    TriangleMesh(embree, corners.astype(np.float32))
    edge = corners[:, 1:] - corners[:, :1]
    normal = np.cross(edge[:, 0], edge[:, 1])
    normal = (normal / np.linalg.norm(normal, axis=1)[:, None]).astype(np.float32)
    _, direction = rays_in(rays)
    trace_ours(room, 32, 0)
    ours, theirs = [], []
    for number in range(repeats):
        ours.append(rate(lambda n=number: trace_ours(room, rays, n)))
        theirs.append(rate(lambda n=number: trace_theirs(embree, normal, direction, n)))
    return {
        "triangles": len(corners),
        "raysim_mrefl_s": spread(np.array(ours)),
        "embreex_numpy_mrefl_s": spread(np.array(theirs)),
        "ratio": spread(np.array(ours) / np.array(theirs)),
    }


def two_threads(rays: int, repeats: int) -> list[float]:
    """How much faster two threads are than one, turn about."""
    room, seconds = room_of(corners_of(TWO_THREADS_IN)), np.empty((2, repeats))
    for number in range(repeats):
        for threads in (1, 2):
            set_num_threads(threads)
            started = time.perf_counter()
            trace_ours(room, 8 * rays, number)
            seconds[threads - 1, number] = time.perf_counter() - started
    return spread(seconds[0] / seconds[1])


def rate(work) -> float:  # type: ignore[no-untyped-def]
    """Million reflections a second of processor time."""
    start = time.process_time()
    reflections = work()
    return reflections / (time.process_time() - start) / 1e6


def room_of(corners: Array) -> Room:
    """One material all over."""
    facet = facets_of(corners)
    facets = int(facet.max()) + 1
    bands = len(ABSORPTION)
    return Room(
        build_tree(corners, facet, np.zeros(len(facet), bool)),
        Boundary(
            np.zeros(facets, np.int32),
            1.0 - ABSORPTION[None],
            np.zeros(1, np.int32),
            SCATTERING[None].copy(),
            np.arange(bands),
        ),
        Cover(
            np.zeros(facets + 1, np.int32),
            np.empty((0, 4)),
            np.empty(0, np.int32),
            np.empty((0, 1), bool),
            np.zeros((facets, 3, 3)),
        ),
        Receivers(np.array([RECEIVER]), np.array([RADIUS]), np.array([0.8]), 0.1),
        Plan(0, SPEED, AIR, SPEED * BINS * BIN_S, BIN_S, FAINT),
    )


def trace_ours(room: Room, rays: int, number: int) -> int:
    """Number of reflections."""
    bands = len(ABSORPTION)
    emission = Emission(np.ones((1, 4, 3, bands)), np.eye(3)[None])
    direct = np.full((1, 1), float(np.linalg.norm(np.subtract(SOURCE, RECEIVER))))
    out = np.empty((BATCHES, 1, 1, 1, bands, BINS))
    reflections, lost = np.zeros((1, BATCHES), np.int64), np.zeros((1, BATCHES), np.int64)
    trace(
        room,
        direct,
        np.array([SOURCE]),
        emission,
        1,
        BATCHES,
        number,
        rays // BATCHES,
        out,
        reflections,
        lost,
        np.zeros((1, BATCHES, 6)),
    )
    return int(reflections.sum())


def trace_theirs(embree, normal, direction, seed: int) -> int:  # type: ignore[no-untyped-def]
    """Number of reflections."""
    random = np.random.Generator(np.random.SFC64(seed))
    rays = len(direction)
    o, d = np.tile(np.float32(SOURCE), (rays, 1)), direction.copy()
    energy = np.ones((rays, len(ABSORPTION)), np.float32)
    left, air = (1 - ABSORPTION).astype(np.float32), AIR.astype(np.float32)
    travelled, out = np.zeros(rays, np.float32), np.zeros((BINS, len(ABSORPTION)))
    scattering, reflections = np.float32(SCATTERING.mean()), 0
    while len(o):
        found = embree.run(o, d, output=True)
        hit, t = found["primID"], found["tfar"]
        count(o, d, t, travelled, energy, air, out)
        kept = hit >= 0
        o, d, energy, travelled, hit, t = (a[kept] for a in (o, d, energy, travelled, hit, t))
        reflections += len(hit)
        n = normal[hit]
        o = o + t[:, None] * d + np.float32(1e-4) * n
        travelled = travelled + t
        u = random.random((3, len(hit)), dtype=np.float32)
        z, turn = 1 - 2 * u[1], np.float32(2 * np.pi) * u[2]
        ring = np.sqrt(1 - z * z)
        lambert = n + np.stack([ring * np.cos(turn), ring * np.sin(turn), z], axis=1)
        lambert /= np.sqrt(np.einsum("ij,ij->i", lambert, lambert) + np.float32(1e-12))[:, None]
        mirrored = d - 2 * np.einsum("ij,ij->i", d, n)[:, None] * n
        d = np.where((u[0] < scattering)[:, None], lambert, mirrored)
        energy *= left
        loud = energy.max(axis=1) >= FAINT
        o, d, energy, travelled = o[loud], d[loud], energy[loud], travelled[loud]
    return reflections


def count(o, d, t, travelled, energy, air, out) -> None:  # type: ignore[no-untyped-def]
    """Add chords in the receiver's sphere."""
    to_centre = np.float32(RECEIVER) - o
    foot = np.einsum("ij,ij->i", to_centre, d)
    half2 = RADIUS**2 - (np.einsum("ij,ij->i", to_centre, to_centre) - foot * foot)
    inside = np.flatnonzero((half2 > 0) & (foot > 0) & (foot < t))
    length = travelled[inside] + foot[inside]
    k = (length / np.float32(SPEED * BIN_S)).astype(np.int64)
    inside, k, length = inside[k < BINS], k[k < BINS], length[k < BINS]
    heard = energy[inside] * np.exp(-length[:, None] * air)
    np.add.at(out, k, heard * (2 * np.sqrt(half2[inside]))[:, None])


if __name__ == "__main__":
    main()
