"""What a piece of a ray brings to the receivers it passes; see docs/theory/rays.md."""

from __future__ import annotations

from math import cos, pi, sin, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.abreast import Rays
from raysim.kernels.compiled import inlined, uncounted
from raysim.kernels.directions import mirrored
from raysim.kernels.keys import holds, key_after
from raysim.kernels.lanes import WIDTH, bits, load, lowest
from raysim.kernels.nearest import nearest
from raysim.kernels.ray import Receivers, Room
from raysim.kernels.tree import NOTHING, Tree
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec, along, column, dot, load_vec, row, sub

TRIALS = 10_000


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
    """What segments bring: whose, to which receiver, path length to it (m), weight of energy."""

    lane: NDArray[np.int64]
    receiver: NDArray[np.int64]
    length: NDArray[np.float64]
    weight: NDArray[np.float64]


def new_arrivals(receivers: Receivers) -> Arrivals:
    """Allocate room for one arrival of each ray at each receiver."""
    most = WIDTH * len(receivers.radius)
    return Arrivals(
        np.empty(most, np.int64), np.empty(most, np.int64), np.empty(most), np.empty(most)
    )


@inlined
def note(
    arrivals: Arrivals, count: int, lane: int, receiver: int, length: float, weight: float
) -> int:
    """Append an arrival; the new number of them."""
    arrivals.lane[count], arrivals.receiver[count] = lane, receiver
    arrivals.length[count], arrivals.weight[count] = length, weight
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
def spread_arrival(receivers: Receivers, r: int, s: Segment) -> tuple[float, float]:
    """Length and weight of the arrival of a ray that some surface has spread, weight 0 if none.

    Chord length over sphere volume estimates fluence. The length is that of a wave from the
    last diffusing point to the sphere's centre. Waves from a Lambert point are harmonic
    functions: their mean over the sphere is that at the centre. The radius is the same for all
    rays from that point.
    """
    foot, miss2 = foot_and_miss(receivers, r, s)
    length = s.before + sqrt((s.since + foot) ** 2 + miss2)
    radius = radius_at(receivers, r, length)
    if miss2 >= radius * radius:
        return length, 0.0
    return length, 600.0 * sqrt(radius * radius - miss2) / radius**3


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
def is_seen(tree: Tree, x: Vec, image: Vec, rays: Rays, lane: int) -> bool:
    """Whether the path mirrored in `rays.mirrors` is open from x back to its source."""
    way = sub(image, x)
    left = sqrt(dot(way, way))
    o, d, facet = x, Vec(way.x / left, way.y / left, way.z / left), np.int64(NOTHING)
    for i in range(rays.order[lane] - 1, -1, -1):
        k, t = nearest(tree, o, d, facet, rays.stack[0], rays.reach[0])
        if k == NOTHING or tree.facet[k] != rays.mirrors[i, lane]:
            return False
        o, d, facet = along(o, t, d), mirrored(d, row(tree.normal, k)), np.int64(tree.facet[k])
        left -= t
    k, t = nearest(tree, o, d, facet, rays.stack[0], rays.reach[0])
    return k != NOTHING and t > left


@uncounted
def mirrored_arrival(
    room: Room, r: int, s: Segment, known: bool, rays: Rays, lane: int
) -> tuple[float, float]:
    """Of a ray only mirrored, length and weight of what its image source sends to the very point.

    The ray marks a point of the disc through the centre that faces the image; the density of
    such points is divided out. An edge may hide the image from a share of the disc or from the
    centre: nothing is counted unless the centre sees it, and if so 1/(share in sight) times, of
    which the number of random points until one sees the image is an unbiased estimate. Where the
    mirrors are not `known`, all is taken to be in sight. A path that is known exactly brings
    nothing.
    """
    tree, receivers = room.tree, room.receivers
    image = along(s.o, -s.since, s.d)
    centre, radius = row(receivers.position, r), receivers.radius[r]
    _, miss2 = foot_and_miss(receivers, r, s)
    if miss2 >= radius * radius:
        return 0.0, 0.0
    way = sub(centre, image)
    length = sqrt(dot(way, way))
    axis = Vec(way.x / length, way.y / length, way.z / length)
    ray_length = length / dot(s.d, axis)
    off = sub(along(image, ray_length, s.d), centre)
    if dot(off, off) >= radius * radius:
        return length, 0.0
    if holds(room.exact, key_after(rays.path[lane], r)):
        return length, 0.0
    times = 1
    if known:
        if not is_seen(tree, centre, image, rays, lane):
            return length, 0.0
        own = branch(rays.stream[lane], rays.order[lane])
        while times < TRIALS:
            u1, u2 = uniform(own, 2 * times), uniform(own, 2 * times + 1)
            x = point_on_disc(centre, axis, radius, u1, u2)
            if is_seen(tree, x, image, rays, lane):
                break
            times += 1
    return length, times * 400.0 * (ray_length / length) ** 3 / radius**2


@inlined
def near_sphere(receivers: Receivers, r: int, rays: Rays) -> int:
    """Pattern of the rays that may meet a sphere, however large it is for them."""
    o, d, largest = load_vec(rays.o), load_vec(rays.d), receivers.largest[r]
    centre = row(receivers.position, r)
    to_centre = Vec(centre.x - o.x, centre.y - o.y, centre.z - o.z)
    foot = dot(to_centre, d)
    miss2 = dot(to_centre, to_centre) - foot * foot
    on_way = (0.0 < foot) & (foot < load(rays.t, 0))
    return bits(on_way & (miss2 < largest * largest * (1.0 + 1e-9)))


@inlined
def find_arrivals(
    room: Room, rays: Rays, counted: int, specular: int, known: int, arrivals: Arrivals
) -> int:
    """Number of arrivals of the present segments of the rays `counted`.

    `specular` are those that no surface has spread, `known` those of them of which `rays.mirrors`
    holds all facets. A path that belongs to the images brings nothing.
    """
    count, of_images = 0, load(rays.order, 0) <= np.int32(room.plan.image_order)
    counted &= ~(bits(of_images) & specular)
    for r in range(len(room.receivers.radius)):
        left = near_sphere(room.receivers, r, rays) & counted
        while left != 0:
            lane = lowest(left)
            left &= left - 1
            o, d = column(rays.o, lane), column(rays.d, lane)
            s = Segment(o, d, rays.t[lane], rays.before[lane], rays.since[lane])
            if (specular >> lane) & 1:
                is_known = (known >> lane) & 1 == 1
                length, weight = mirrored_arrival(room, r, s, is_known, rays, lane)
            else:
                length, weight = spread_arrival(room.receivers, r, s)
            if weight > 0.0:
                count = note(arrivals, count, lane, r, length, weight)
    return count
