"""What a piece of a ray brings to the receivers it passes; see docs/theory/rays.md."""

from __future__ import annotations

from math import cos, pi, sin, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import compiled, inlined, uncounted
from raysim.kernels.directions import mirrored
from raysim.kernels.ray import Receivers, Room, Scratch
from raysim.kernels.tree import NOTHING, Tree, nearest
from raysim.kernels.uniform import branch, uniform
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


class Arrivals(NamedTuple):
    """What one segment brings: receiver, path length to it (m), weight of the ray's energy."""

    receiver: NDArray[np.int64]
    length: NDArray[np.float64]
    weight: NDArray[np.float64]


@compiled
def new_arrivals(receivers: Receivers) -> Arrivals:
    """Allocate room for one arrival at each receiver."""
    count = len(receivers.radius)
    return Arrivals(np.empty(count, np.int64), np.empty(count), np.empty(count))


@inlined
def note(arrivals: Arrivals, count: int, receiver: int, length: float, weight: float) -> int:
    """Append an arrival; the new number of them."""
    arrivals.receiver[count] = receiver
    arrivals.length[count] = length
    arrivals.weight[count] = weight
    return count + 1


@inlined
def radius_at(receivers: Receivers, r: int, length: float) -> float:
    """Radius of a sphere for sound that has come `length` m to its centre."""
    return max(receivers.radius[r], min(receivers.largest[r], receivers.growth * length))


@inlined
def foot_and_miss(receivers: Receivers, r: int, s: Segment) -> tuple[float, float]:
    """Where a segment is nearest to a receiver, m from its origin, and its distance squared then.

    The distance is infinite where that is beyond an end; no surface cuts a sphere.
    """
    to_centre = sub(row(receivers.position, r), s.o)
    foot = dot(to_centre, s.d)
    miss2 = dot(to_centre, to_centre) - foot * foot
    return foot, miss2 if 0.0 < foot < s.t else np.inf


@inlined
def spread_arrivals(receivers: Receivers, s: Segment, arrivals: Arrivals) -> int:
    """Number of arrivals of a ray that some surface has spread.

    Chord length over sphere volume estimates fluence. The length is that of a wave from the
    last diffusing point to the sphere's centre. Waves from a Lambert point are harmonic
    functions: their mean over the sphere is that at the centre. The radius is the same for all
    rays from that point.
    """
    count = 0
    for r in range(len(receivers.radius)):
        foot, miss2 = foot_and_miss(receivers, r, s)
        if miss2 >= receivers.largest[r] ** 2:
            continue
        length = s.before + sqrt((s.since + foot) ** 2 + miss2)
        radius = radius_at(receivers, r, length)
        if miss2 < radius * radius:
            weight = 600.0 * sqrt(radius * radius - miss2) / radius**3
            count = note(arrivals, count, r, length, weight)
    return count


class History(NamedTuple):
    """How a ray came to be where it is.

    order : number of reflections
    specular : none of them was diffuse
    known : `Scratch.mirrors` holds the facets of all of them
    """

    order: int
    specular: bool
    known: bool


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


@uncounted
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


@uncounted
def mirrored_arrivals(
    tree: Tree,
    receivers: Receivers,
    s: Segment,
    mirrors: int,
    stream: np.uint64,
    state: Scratch,
    arrivals: Arrivals,
) -> int:
    """Number of arrivals of a ray only mirrored: what its image source sends to the very point.

    The ray marks a point of the disc through the centre that faces the image; the density of
    such points is divided out. An edge may hide the image from a share of the disc or from the
    centre: nothing is counted unless the centre sees it, and if so 1/(share in sight) times, of
    which the number of random points until one sees the image is an unbiased estimate.
    """
    count = 0
    image = along(s.o, -s.since, s.d)
    for r in range(len(receivers.radius)):
        centre, radius = row(receivers.position, r), receivers.radius[r]
        _, miss2 = foot_and_miss(receivers, r, s)
        if miss2 >= radius * radius:
            continue
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
        count = note(arrivals, count, r, length, weight)
    return count


@inlined
def find_arrivals(
    room: Room,
    s: Segment,
    history: History,
    stream: np.uint64,
    state: Scratch,
    arrivals: Arrivals,
) -> int:
    """Number of arrivals of a segment; none where the path belongs to the images."""
    if not history.specular:
        return spread_arrivals(room.receivers, s, arrivals)
    if history.order <= room.plan.image_order:
        return 0
    mirrors = history.order if history.known else UNKNOWN
    own = branch(stream, history.order)
    return mirrored_arrivals(room.tree, room.receivers, s, mirrors, own, state, arrivals)
