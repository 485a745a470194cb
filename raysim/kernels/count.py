"""What a piece of a ray adds to the receivers it passes; see docs/theory/rays.md."""

from __future__ import annotations

from math import cos, exp, pi, sin, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.boundary import Boundary
from raysim.kernels.compiled import compiled, inlined
from raysim.kernels.directions import mirrored
from raysim.kernels.ray import Plan, Receivers, Scratch
from raysim.kernels.tree import NOTHING, Tree, nearest
from raysim.kernels.uniform import uniform
from raysim.kernels.vec import Vec, along, dot, row, sub

TRIALS = 10_000
UNKNOWN = -1  # mirrors of a path too long or too fine to be known by its facets


class Segment(NamedTuple):
    """A straight piece of a ray.

    o, d, t : origin, direction, length m
    before : m, path up to the last diffusing point (0 while all reflections were mirrored)
    since : m, path from there (or from the source) to the origin
    """

    o: Vec
    d: Vec
    t: float
    before: float
    since: float


@inlined
def add(
    plan: Plan,
    boundary: Boundary,
    state: Scratch,
    out: NDArray[np.float64],
    offset_m: float,
    length: float,
    weight: float,
) -> None:
    """Add a weighted arrival after `length` m to one receiver's out : (time, variants, bands)."""
    k = int(max(0.0, length - offset_m) / (plan.speed * plan.bin_s))
    if k >= out.shape[0]:
        return
    for b in range(len(state.energy)):
        c = boundary.band_class[b]
        shared = weight * state.chance[c] * state.energy[b] * exp(-plan.attenuation[b] * length)
        for v in range(len(state.energy_of)):
            out[k, v, b] += shared * state.chance_of[v, c] * state.energy_of[v, b]


@inlined
def passes(receivers: Receivers, r: int, s: Segment) -> bool:
    """Whether a segment crosses a receiver's sphere; no surface cuts one."""
    to_centre = sub(row(receivers.position, r), s.o)
    foot = dot(to_centre, s.d)
    miss2 = dot(to_centre, to_centre) - foot * foot
    return 0.0 < foot < s.t and miss2 < receivers.radius[r] ** 2


@compiled
def count_spread(
    plan: Plan,
    boundary: Boundary,
    receivers: Receivers,
    offset: NDArray[np.float64],
    s: Segment,
    state: Scratch,
    out: NDArray[np.float64],
) -> None:
    """Count a ray that some surface has spread.

    Chord length over sphere volume estimates fluence. The arrival is that of a wave from the
    last diffusing point to the sphere's centre, minus `offset` (r,) of each receiver. Waves from
    a Lambert point are harmonic functions: their mean over the sphere is that at the centre.
    """
    for r in range(len(receivers.radius)):
        if passes(receivers, r, s):
            radius = receivers.radius[r]
            to_centre = sub(row(receivers.position, r), s.o)
            foot = dot(to_centre, s.d)
            miss2 = dot(to_centre, to_centre) - foot * foot
            length = s.before + sqrt((s.since + foot) ** 2 + miss2)
            weight = 600.0 * sqrt(radius * radius - miss2) / radius**3
            add(plan, boundary, state, out[r], offset[r], length, weight)


@inlined
def point_on_disc(centre: Vec, axis: Vec, radius: float, u1: float, u2: float) -> Vec:
    """Uniform point on the disc about unit vector `axis` (frame of Duff et al. 2017)."""
    sign = 1.0 if axis.z >= 0.0 else -1.0
    a = -1.0 / (sign + axis.z)
    b = axis.x * axis.y * a
    one = Vec(1.0 + sign * axis.x * axis.x * a, sign * b, -sign * axis.x)
    two = Vec(b, sign + axis.y * axis.y * a, -axis.y)
    ring = radius * sqrt(u1)
    return along(along(centre, ring * cos(2 * pi * u2), one), ring * sin(2 * pi * u2), two)


@compiled
def is_seen(tree: Tree, x: Vec, image: Vec, mirrors: int, state: Scratch) -> bool:
    """Whether the path mirrored in `state.mirrors` is open from x back to its source."""
    way = sub(image, x)
    left = sqrt(dot(way, way))
    o, d, facet = x, Vec(way.x / left, way.y / left, way.z / left), NOTHING
    for i in range(mirrors - 1, -1, -1):
        k, t = nearest(tree, o, d, facet, state.stack, state.reach)
        if k == NOTHING or tree.facet[k] != state.mirrors[i]:
            return False
        o, d, facet = along(o, t, d), mirrored(d, row(tree.normal, k)), tree.facet[k]
        left -= t
    k, t = nearest(tree, o, d, facet, state.stack, state.reach)
    return k != NOTHING and t > left


@compiled
def count_mirrored(
    tree: Tree,
    plan: Plan,
    boundary: Boundary,
    receivers: Receivers,
    offset: NDArray[np.float64],
    s: Segment,
    mirrors: int,
    stream: np.uint64,
    state: Scratch,
    out: NDArray[np.float64],
) -> None:
    """Count a ray that was only mirrored: what its image source sends to the very point.

    The ray marks a point of the disc through the centre that faces the image; the density of
    such points is divided out. An edge may hide the image from a share of the disc or from the
    centre: nothing is counted unless the centre sees it, and if so 1/(share in sight) times, of
    which the number of random points until one sees the image is an unbiased estimate.
    """
    image = along(s.o, -s.since, s.d)
    for r in range(len(receivers.radius)):
        if not passes(receivers, r, s):
            continue
        centre, radius = row(receivers.position, r), receivers.radius[r]
        way = sub(centre, image)
        length = sqrt(dot(way, way))
        axis = Vec(way.x / length, way.y / length, way.z / length)
        ray_length = length / dot(s.d, axis)
        off = sub(along(image, ray_length, s.d), centre)
        if dot(off, off) >= radius * radius:
            continue
        times = 1
        if mirrors != UNKNOWN:
            if not is_seen(tree, centre, image, mirrors, state):
                continue
            while times < TRIALS:
                u1, u2 = uniform(stream, 2 * times), uniform(stream, 2 * times + 1)
                x = point_on_disc(centre, axis, radius, u1, u2)
                if is_seen(tree, x, image, mirrors, state):
                    break
                times += 1
        weight = times * 400.0 * (ray_length / length) ** 3 / radius**2
        add(plan, boundary, state, out[r], offset[r], length, weight)
