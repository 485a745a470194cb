"""Nearest hits a second against Embree, on one core; and equality with a plain loop.

    python benchmarks/rays.py [TRIANGLES ...] [--rays N] [--repeats N] [--equal N]

Needs embreex (pip install "raysim[bench]"). Prints a JSON line a scene: million rays a second of
both, and their ratio, as median and range over repeats that alternate, in processor time.
Embree's rays are single, from `embreex`'s arrays. `differ` counts rays of which the two name
different triangles more than 1e-4 m apart (Embree is single precision throughout).
`abreast` is ours as the tracer asks, sixteen rays at a time.
`--equal` compares that many rays with a plain search in double precision (plain.py): `unequal`
counts those that name another facet and differ by more than 1e-6 m, `unequal_abreast` those of
sixteen rays at a time; and as many of them as two
thousand million tests allow with the test of every triangle.
"""

from __future__ import annotations

import argparse
import json
import platform
import time
from collections.abc import Callable
from importlib.metadata import version

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from made import BALLS, corners_of, facets_of, rays_in
from numpy.typing import NDArray
from plain import every_triangle, halves_of, plain_each

from raysim.kernels.abreast import new_rays
from raysim.kernels.build import build_tree
from raysim.kernels.compiled import allocating
from raysim.kernels.lanes import WIDTH
from raysim.kernels.nearest import nearest_inline, nearest_of_sixteen
from raysim.kernels.threads import share_out
from raysim.kernels.tree import NOTHING, STACK, Tree
from raysim.kernels.vec import row, set_column

TESTS = 2e9


@allocating
def nearest_each(tree, origin, direction, out_triangle, out_distance):  # type: ignore[no-untyped-def]
    """Nearest hit of each ray."""
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK)
    for i in range(len(origin)):
        o, d = row(origin, i), row(direction, i)
        out_triangle[i], out_distance[i] = nearest_inline(tree, o, d, NOTHING, stack, reach)


@allocating
def nearest_abreast(tree, rays, origin, direction, out_triangle, out_distance):  # type: ignore[no-untyped-def]
    """Nearest hit of each ray, sixteen at a time."""
    rays.facet[:] = NOTHING
    for first in range(0, len(origin), WIDTH):
        number = min(WIDTH, len(origin) - first)
        for lane in range(number):
            set_column(rays.o, lane, row(origin, first + lane))
            set_column(rays.d, lane, row(direction, first + lane))
        nearest_of_sixteen(tree, rays, (1 << number) - 1)
        out_triangle[first : first + number] = rays.triangle[:number]
        out_distance[first : first + number] = rays.t[:number]


def main() -> None:
    """Measure each scene."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("triangles", nargs="*", type=int, default=[12, 2_000, 20_000, 130_000])
    parser.add_argument("--rays", type=int, default=300_000)
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--equal", type=int, default=0)
    options = parser.parse_args()
    print(json.dumps({"embreex": version("embreex"), "machine": platform.machine()}))
    for triangles in options.triangles:
        if triangles not in BALLS:
            parser.error(f"{triangles}: choose from {', '.join(map(str, BALLS))}")
        line = measure(triangles, options.rays, options.repeats)
        if options.equal:
            line |= unequal(triangles, options.equal)
        print(json.dumps(line), flush=True)


def tree_of(triangles: int) -> Tree:
    """Ours."""
    corners = corners_of(triangles)
    facet = facets_of(corners)
    return build_tree(corners, facet, np.zeros(len(facet), bool))


def seconds(work: Callable[[], object]) -> float:
    """Processor time of a call."""
    start = time.process_time()
    work()
    return time.process_time() - start


def measure(triangles: int, rays: int, repeats: int) -> dict[str, object]:
    """Both engines in turn."""
    corners = corners_of(triangles)
    started = time.process_time()
    tree = tree_of(triangles)
    build_s = time.process_time() - started
    embree = EmbreeScene()
    TriangleMesh(embree, corners.astype(np.float32))
    origin, direction = rays_in(rays)
    triangle, distance = np.empty(rays, np.int64), np.empty(rays)
    many = origin.astype(np.float64), direction.astype(np.float64)
    found = embree.run(origin, direction, output=True)
    abreast = new_rays(1, 1, 1, 0)
    nearest_abreast(tree, abreast, *many, triangle, distance)
    nearest_each(tree, *many, triangle, distance)
    single, sixteen, theirs = [], [], []
    for _ in range(repeats):
        sixteen.append(seconds(lambda: nearest_abreast(tree, abreast, *many, triangle, distance)))
        theirs.append(seconds(lambda: embree.run(origin, direction)))
        single.append(seconds(lambda: nearest_each(tree, *many, triangle, distance)))
    other = (found["primID"] != triangle) & (np.abs(found["tfar"] - distance) > 1e-4)
    return {
        "triangles": len(corners),
        "build_s": round(build_s, 2),
        "raysim_mrays_s": spread(rays / np.array(single) / 1e6),
        "sixteen_abreast_mrays_s": spread(rays / np.array(sixteen) / 1e6),
        "embreex_mrays_s": spread(rays / np.array(theirs) / 1e6),
        "ratio": spread(np.array(theirs) / np.array(single)),
        "ratio_abreast": spread(np.array(theirs) / np.array(sixteen)),
        "differ": int(other.sum()),
        "missed": int((triangle == NOTHING).sum()),
    }


def spread(values: NDArray[np.float64]) -> list[float]:
    """Median, least and most."""
    return [round(float(v), 2) for v in (np.median(values), values.min(), values.max())]


def unequal(triangles: int, rays: int) -> dict[str, int]:
    """Rays that the plain ways send elsewhere; every triangle is tested for the first of them."""
    tree = tree_of(triangles)
    halves = halves_of(tree.corners.reshape(-1, 3, 3))
    few = min(rays, round(TESTS / len(tree.facet)))
    abreast = new_rays(1, 1, 1, 0)
    bad, bad_abreast, checked, bad_plain = 0, 0, 0, 0
    for first in range(0, rays, 1_000_000):
        number = min(1_000_000, rays - first)
        many = [a.astype(np.float64) for a in rays_in(number, seed=first + 2)]
        found = np.empty((2, number), np.int64), np.empty((2, number))
        nearest_each(tree, *many, found[0][0], found[1][0])
        share_out(plain_each, number, halves, tree, *many, found[0][1], found[1][1])
        bad += differ(tree, *found)
        own = found[0][0].copy(), found[1][0].copy()
        nearest_abreast(tree, abreast, *many, found[0][0], found[1][0])
        bad_abreast += differ(tree, *found)
        found[0][0], found[1][0] = own
        if checked < few:
            part = min(number, few - checked)
            some = [a[:part] for a in (*many, found[0][1], found[1][1])]
            share_out(every_triangle, part, tree, *some)
            bad_plain += differ(tree, found[0][:, :part], found[1][:, :part])
            checked += part
    return {
        "compared": rays,
        "unequal": bad,
        "unequal_abreast": bad_abreast,
        "compared_with_every_triangle": checked,
        "unequal_to_it": bad_plain,
    }


def differ(tree: Tree, triangle: NDArray[np.int64], distance: NDArray[np.float64]) -> int:
    """Rays of which two answers, (2, rays), name facets that lie apart."""
    one, two = tree.facet[triangle]
    near = np.abs(distance[0] - distance[1]) <= 1e-6
    return int((~((one == two) | near)).sum())


if __name__ == "__main__":
    main()
