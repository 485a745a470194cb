"""Where rays start and where a diffusing surface sends them."""

from __future__ import annotations

from math import cos, floor, pi, sin, sqrt

import numpy as np

from raysim.kernels.compiled import inlined
from raysim.kernels.uniform import uniform
from raysim.kernels.vec import Vec, dot, unit

PLASTIC = 1.32471795724474602596
STEP_1 = 1 / PLASTIC
STEP_2 = 1 / PLASTIC**2


@inlined
def on_sphere(u1: float, u2: float) -> Vec:
    """Uniform direction from two uniform numbers (equal-area cylinder map)."""
    z = 1.0 - 2.0 * u1
    ring = sqrt(max(0.0, 1.0 - z * z))
    return Vec(ring * cos(2 * pi * u2), ring * sin(2 * pi * u2), z)


@inlined
def start_direction(stream: np.uint64, i: int) -> Vec:
    """Direction i of a low-discrepancy set, shifted at random by the stream.

    Additive recurrence with the plastic number (Roberts 2018) on the unit square, mapped to the
    sphere; the random shift (Cranley and Patterson 1976) makes each direction uniform.
    """
    u1 = uniform(stream, 0) + i * STEP_1
    u2 = uniform(stream, 1) + i * STEP_2
    return on_sphere(u1 - floor(u1), u2 - floor(u2))


@inlined
def mirrored(d: Vec, n: Vec) -> Vec:
    """Specular direction d - 2 (d.n) n."""
    twice = 2.0 * dot(d, n)
    return Vec(d.x - twice * n.x, d.y - twice * n.y, d.z - twice * n.z)


@inlined
def lambert(n: Vec, u1: float, u2: float) -> Vec:
    """Direction with density cos(theta)/pi about n: n plus a uniform unit vector, normalised."""
    w = on_sphere(u1, u2)
    s = Vec(n.x + w.x, n.y + w.y, n.z + w.z)
    if dot(s, s) < 1e-20:
        return n
    return unit(s)
