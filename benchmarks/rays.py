"""Nearest hits a second against Embree, on one core; and equality with a plain loop.

    python benchmarks/rays.py [TRIANGLES ...] [--rays N] [--repeats N] [--equal N]

Needs embreex (pip install "raysim[bench]"). Prints a JSON line a scene: million rays a second of
both, and their ratio, as median and range over repeats that alternate, in processor time.
Embree's rays are single, from `embreex`'s arrays. `differ` counts rays of which the two name
different triangles more than 1e-4 m apart (Embree is single precision throughout).
`--equal` compares that many rays with the double-precision test of every triangle: `unequal`
counts those that name another facet and differ by more than 1e-6 m. Slow in large scenes.
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

from raysim.kernels.build import build_tree
from raysim.kernels.compiled import compiled, inlined, released
from raysim.kernels.nearest import nearest_inline
from raysim.kernels.threads import share_out
from raysim.kernels.tree import NOTHING, STACK, Tree, triangle_hit
from raysim.kernels.vec import row


@compiled
def nearest_each(tree, origin, direction, out_triangle, out_distance):  # type: ignore[no-untyped-def]
    """Nearest hit of each ray."""
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK)
    for i in range(len(origin)):
        o, d = row(origin, i), row(direction, i)
        out_triangle[i], out_distance[i] = nearest_inline(tree, o, d, NOTHING, stack, reach)


triangle_hit_inline = inlined(triangle_hit.py_func)  # a call would take longer than the test


@released
def plain_each(first, step, tree, origin, direction, out_triangle, out_distance):  # type: ignore[no-untyped-def]
    """The same by testing every triangle in double precision."""
    for i in range(first, len(origin), step):
        best, t = NOTHING, np.inf
        for k in range(len(tree.facet)):
            hit = triangle_hit_inline(tree, k, row(origin, i), row(direction, i))
            if hit < t:
                best, t = k, hit
        out_triangle[i], out_distance[i] = best, t


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
            line["compared"] = options.equal
            line["unequal"] = unequal(triangles, options.equal)
        print(json.dumps(line), flush=True)


def tree_of(triangles: int) -> Tree:
    """Ours."""
    corners = corners_of(triangles)
    facet = facets_of(corners)
    return build_tree(corners, facet, np.zeros_like(facet), np.zeros(len(facet), bool))


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
    nearest_each(tree, *many, triangle, distance)
    ours, theirs = [], []
    for _ in range(repeats):
        ours.append(seconds(lambda: nearest_each(tree, *many, triangle, distance)))
        theirs.append(seconds(lambda: embree.run(origin, direction)))
    other = (found["primID"] != triangle) & (np.abs(found["tfar"] - distance) > 1e-4)
    return {
        "triangles": len(corners),
        "build_s": round(build_s, 2),
        "raysim_mrays_s": spread(rays / np.array(ours) / 1e6),
        "embreex_mrays_s": spread(rays / np.array(theirs) / 1e6),
        "ratio": spread(np.array(theirs) / np.array(ours)),
        "differ": int(other.sum()),
        "missed": int((triangle == NOTHING).sum()),
    }


def spread(values: NDArray[np.float64]) -> list[float]:
    """Median, least and most."""
    return [round(float(v), 2) for v in (np.median(values), values.min(), values.max())]


def unequal(triangles: int, rays: int) -> int:
    """Rays that a plain loop over all triangles sends elsewhere."""
    tree = tree_of(triangles)
    bad = 0
    for first in range(0, rays, 1_000_000):
        number = min(1_000_000, rays - first)
        many = [a.astype(np.float64) for a in rays_in(number, seed=first + 2)]
        one, two = np.empty(number, np.int64), np.empty(number, np.int64)
        t_one, t_two = np.empty(number), np.empty(number)
        nearest_each(tree, *many, one, t_one)
        share_out(plain_each, number, tree, *many, two, t_two)
        same = (tree.facet[one] == tree.facet[two]) | (np.abs(t_one - t_two) <= 1e-6)
        bad += int((~same).sum())
    return bad


if __name__ == "__main__":
    main()
