"""Where rays start and where surfaces send them; of one ray, or of sixteen at a time."""

from __future__ import annotations

from math import factorial, floor, pi

import numpy as np

from raysim.kernels.compiled import exposed, inlined
from raysim.kernels.lanes import choose, magnitude, root
from raysim.kernels.uniform import uniform
from raysim.kernels.vec import Vec, dot, unit

PLASTIC = 1.32471795724474602596
STEP_1 = 1 / PLASTIC
STEP_2 = 1 / PLASTIC**2
SINE = tuple((-1) ** (k // 2) * (2 * pi) ** k / factorial(k) for k in range(21, 0, -2))
LONGER = 1.0 + 1e-12  # so that a normal and a direction against it never add up to nothing


@inlined
def quarter_sine(x):  # type: ignore[no-untyped-def]
    """Sine of x turns, at most a quarter, by its series; exact to rounding."""
    square = x * x
    total = SINE[0] * square
    for term in SINE[1:-1]:
        total = (total + term) * square
    return (total + SINE[-1]) * x


@inlined
def on_sphere(u1, u2):  # type: ignore[no-untyped-def]
    """Uniform direction from two uniform numbers (equal-area cylinder map)."""
    z = 1.0 - 2.0 * u1
    ring = root(1.0 - z * z)
    # the cosine and sine of u2 turns, with the sign of both changed
    turn = u2 - 0.5
    half = magnitude(turn)
    cosine, sine = quarter_sine(0.25 - half), quarter_sine(0.25 - magnitude(half - 0.25))
    return Vec(0.0 - ring * cosine, ring * choose(turn < 0.0, sine, 0.0 - sine), z)


@exposed
def start_direction(stream: np.uint64, i: int) -> Vec:
    """Direction i of a low-discrepancy set, shifted at random by the stream.

    Additive recurrence with the plastic number (Roberts 2018) on the unit square, mapped to the
    sphere; the random shift (Cranley and Patterson 1976) makes each direction uniform.
    """
    u1 = uniform(stream, 0) + i * STEP_1
    u2 = uniform(stream, 1) + i * STEP_2
    return on_sphere(u1 - floor(u1), u2 - floor(u2))


@exposed
def mirrored(d, n):  # type: ignore[no-untyped-def]
    """Specular direction d - 2 (d.n) n."""
    twice = 2.0 * dot(d, n)
    return Vec(d.x - twice * n.x, d.y - twice * n.y, d.z - twice * n.z)


@exposed
def lambert(n, u1, u2):  # type: ignore[no-untyped-def]
    """Direction with density cos(theta)/pi about n: n plus a uniform unit vector, normalised."""
    w = on_sphere(u1, u2)
    return unit(Vec(LONGER * n.x + w.x, LONGER * n.y + w.y, LONGER * n.z + w.z))
