"""How the cost of a reflection grows with triangles, receivers, bands and variants; one core.

    python benchmarks/growth.py [--reflections N] [--large]

Prints JSON lines: nanoseconds of processor time a reflection at each size, and the fitted exponent
p of (cost) ~ (size)^p, over the whole range and over its upper half (by least squares of the
logarithms). The room is that of loop.py; triangles are those of balls in it. Variants have a panel
each, somewhere on the floor. Then what a table over the angle of incidence costs. `--large` adds
a child that loads, builds and traces 10^6 triangles, with the largest size that it had in memory.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from loop import SOURCE, SPEED, room_of
from made import BALLS, SIZE_M, corners_of

from raysim.kernels.boundary import Boundary, Cover
from raysim.kernels.emission import Emission
from raysim.kernels.ray import Plan, Receivers, Room
from raysim.kernels.threads import set_num_threads
from raysim.kernels.walk import trace

BINS, BIN_S = 100, 0.01
SIZES = {
    "receivers": (1, 3, 10, 30, 100, 300, 1000),
    "bands": (1, 3, 6, 10, 18, 30),
    "variants": (1, 4, 16, 64, 256),
}
PANEL_M = np.array([1.2, 0.6])
LARGE, LIMIT_MIB = 1_000_000, 2048


def main() -> None:
    """Measure one size after the other."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--reflections", type=int, default=400_000)
    parser.add_argument("--large", action="store_true")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    options = parser.parse_args()
    set_num_threads(1)
    if options.child:
        load_build_trace(Path(options.child))
        return
    triangles = [count for count in BALLS if count > 12]
    rooms = [room_of(corners_of(count)) for count in triangles]
    report("triangles", [len(room.tree.facet) for room in rooms], rooms, options.reflections)
    box = room_of(corners_of(12))
    for name, make in (("receivers", heard_by), ("bands", in_bands), ("variants", in_variants)):
        report(name, SIZES[name], [make(box, size) for size in SIZES[name]], options.reflections)
    print(json.dumps({"layers_over_plain": compare(box, in_layers(box), options.reflections)}))
    if options.large:
        with tempfile.NamedTemporaryFile(suffix=".npy") as file:
            np.save(file.name, corners_of(LARGE))
            subprocess.run([sys.executable, __file__, "--child", file.name], check=True)


def report(name: str, sizes, rooms, reflections: int) -> None:  # type: ignore[no-untyped-def]
    """Measure rooms and print a line."""
    cost = [nanoseconds(room, reflections) for room in rooms]
    x, y = np.log(sizes), np.log(cost)
    half = len(sizes) // 2
    line = {
        name: list(sizes),
        "ns": [round(c, 1) for c in cost],
        "exponent": round(float(np.polyfit(x, y, 1)[0]), 2),
        "exponent_of_upper_half": round(float(np.polyfit(x[half:], y[half:], 1)[0]), 2),
    }
    print(json.dumps(line), flush=True)


def nanoseconds(room: Room, reflections: int) -> float:
    """Processor time a reflection: least of three, after one to warm up."""
    rays, least = 16, np.inf
    for turn in range(4):
        done, seconds = run(room, rays, turn)
        if turn:
            least = min(least, seconds / done * 1e9)
        else:
            rays = max(16, rays * reflections // done)
    return least


def compare(one: Room, other: Room, reflections: int) -> list[float]:
    """Cost in the other room over that in the one, turn about: median, least and most of five."""
    turns = [nanoseconds(other, reflections) / nanoseconds(one, reflections) for _ in range(5)]
    return [round(float(v), 2) for v in (np.median(turns), min(turns), max(turns))]


def run(room: Room, rays: int, number: int) -> tuple[int, float]:
    """Reflections and seconds of one batch."""
    bands, receivers = len(room.plan.attenuation), len(room.receivers.radius)
    variants = room.cover.present.shape[1]
    emission = Emission(np.ones((1, 4, 3, bands)), np.eye(3)[None])
    offset = np.linalg.norm(room.receivers.position - SOURCE, axis=1)[None]
    out = np.empty((1, variants, 1, receivers, bands, BINS))
    reflections, lost = np.zeros((1, 1), np.int64), np.zeros((1, 1), np.int64)
    started = time.process_time()
    source, where = np.array([SOURCE]), np.zeros((1, 1, 6))
    trace(room, offset, source, emission, 1, 1, number, rays, out, reflections, lost, where)
    return int(reflections.sum()), time.process_time() - started


def heard_by(room: Room, number: int) -> Room:
    """The room with that many receivers."""
    random = np.random.default_rng(5)
    position = random.uniform(np.full(3, 0.5), np.array(SIZE_M) - 0.5, (number, 3))
    radius, largest = np.full(number, 0.25), np.full(number, 0.5)
    return room._replace(receivers=Receivers(position, radius, largest, 0.1))


def in_bands(room: Room, number: int) -> Room:
    """The room with that many bands, each of a scattering of its own."""
    spread = np.linspace(0.0, 1.0, number)
    absorption, scattering = 0.10 + 0.10 * spread, 0.05 + 0.15 * spread
    boundary = Boundary(
        room.boundary.material,
        1.0 - absorption[None],
        room.boundary.steps,
        scattering[None].copy(),
        np.arange(number),
    )
    plan = Plan(0, SPEED, 1e-4 + 5e-3 * spread, SPEED * BINS * BIN_S, BIN_S)
    return room._replace(boundary=boundary, plan=plan)


def in_layers(room: Room) -> Room:
    """The room with a table over the angle of incidence, of the same numbers."""
    rows = np.repeat(room.boundary.reflectance, 65, axis=0)
    tables = room.boundary._replace(
        reflectance=rows,
        steps=np.full(len(rows), 64, np.int32),
        scattering=np.repeat(room.boundary.scattering, 65, axis=0),
    )
    return room._replace(boundary=tables)


def in_variants(room: Room, number: int) -> Room:
    """The room with that many variants, each with a panel on the floor."""
    floor = int(room.tree.facet[room.tree.normal[:, 2].argmax()])
    random = np.random.default_rng(6)
    low = random.uniform(0.0, np.array(SIZE_M[:2]) - PANEL_M, (number, 2))
    first = np.where(np.arange(len(room.cover.first)) > floor, number, 0).astype(np.int32)
    frame = room.cover.frame.copy()
    frame[floor] = (0, 0, 0), (1, 0, 0), (0, 1, 0)
    cover = Cover(
        first,
        np.concatenate([low, low + PANEL_M], axis=1),
        np.ones(number, np.int32),
        np.eye(number, dtype=bool),
        frame,
    )
    tables = room.boundary
    boundary = tables._replace(
        reflectance=np.concatenate([tables.reflectance, np.full_like(tables.reflectance, 0.2)]),
        steps=np.zeros(2, np.int32),
        scattering=np.repeat(tables.scattering, 2, axis=0),
    )
    return room._replace(cover=cover, boundary=boundary)


def load_build_trace(path: Path) -> None:
    """Load corners, build the room, trace; print seconds and memory."""
    started = time.perf_counter()
    room = room_of(np.load(path))
    built = time.perf_counter()
    run(room, 16, 0)  # compiles
    reflections, seconds = run(room, 4096, 1)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    line = {
        "triangles": len(room.tree.facet),
        "build_s": round(built - started, 1),
        "ns": round(seconds / reflections * 1e9, 1),
        "peak_memory_mib": round(peak / (2**20 if sys.platform == "darwin" else 1024)),
        "limit_mib": LIMIT_MIB,
    }
    print(json.dumps(line))


if __name__ == "__main__":
    main()
