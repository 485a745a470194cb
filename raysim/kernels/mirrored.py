"""Mirrored paths found by rays: which there are, and what each brings exactly.

Trying all sequences of facets takes too long beyond a few reflections. A ray that is mirrored at
every surface tells those that there are: where it passes near a receiver, the sequence so far is
a candidate. See docs/theory/images.md.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.abreast import Rays, begin
from raysim.kernels.boundary import covering, material_in, reflect
from raysim.kernels.compiled import allocating, inlined
from raysim.kernels.directions import mirrored, on_sphere
from raysim.kernels.emission import Emission, emit
from raysim.kernels.images import Planes, may_hold, mirror_point, path_holds
from raysim.kernels.keys import key_after, source_key
from raysim.kernels.lanes import ALL, WIDTH, bits, load, lowest
from raysim.kernels.nearest import nearest_of_sixteen
from raysim.kernels.ray import Room
from raysim.kernels.tree import STACK
from raysim.kernels.vec import Vec, dot, load_vec, row, set_row, store_vec, sub, unit
from raysim.kernels.walk import Lost, advance, inside, too_long

DEEPEST = 64  # reflections a path may have and be known


class Candidates(NamedTuple):
    """Sequences of facets, each the start of a ray's, and how far rays come.

    facets : (rays, DEEPEST) that each ray meets
    length : (rays,) m, to where it becomes dim
    number : (portions,) of candidates that the rays of a portion tell
    ray, order, receiver : (portions, most) whose facets, how many of them, to which receiver
    key : (portions, most) told by source, facets and receiver
    """

    facets: NDArray[np.int32]
    length: NDArray[np.float64]
    number: NDArray[np.int64]
    ray: NDArray[np.int32]
    order: NDArray[np.int32]
    receiver: NDArray[np.int32]
    key: NDArray[np.uint64]


@inlined
def note_candidates(
    room: Room,
    portion: int,
    rays: Rays,
    alive: int,
    near_m: float,
    number: NDArray[np.int64],
    out: Candidates,
) -> None:
    """Note the paths of the rays `number` : (WIDTH,) of a portion that pass near receivers."""
    o, d, t = load_vec(rays.o), load_vec(rays.d), load(rays.t, 0)
    for r in range(len(room.receivers.radius)):
        c = row(room.receivers.position, r)
        way = Vec(c.x - o.x, c.y - o.y, c.z - o.z)
        foot = dot(way, d)
        miss2 = dot(way, way) - foot * foot
        left = bits((0.0 < foot) & (foot < t) & (miss2 < near_m * near_m)) & alive
        while left != 0:
            lane = lowest(left)
            left &= left - 1
            order, at = rays.order[lane], out.number[portion]
            if order > room.plan.image_order and at < out.key.shape[1]:
                out.ray[portion, at] = number[lane]
                out.order[portion, at], out.receiver[portion, at] = order, r
                out.key[portion, at] = key_after(rays.path[lane], r)
                out.number[portion] += 1


@inlined
def start_searching(
    sources: NDArray[np.float64],
    source: int,
    places: NDArray[np.float64],
    started: int,
    rays: Rays,
    bright: NDArray[np.float64],
    alive: int,
) -> int:
    """Let the next of the rays of `places` start from a source where none is alive; which."""
    new, free = 0, ALL & ~alive
    while free != 0 and started < len(places):
        lane = lowest(free)
        free &= free - 1
        d = on_sphere(places[started, 0], places[started, 1])
        begin(rays, lane, row(sources, source), d, 0, np.uint64(0))
        rays.path[lane], bright[lane] = source_key(source), 1.0
        started += 1
        new |= 1 << lane
    return new


@inlined
def mirror_on(
    room: Room,
    brightness: NDArray[np.float64],
    dim: float,
    rays: Rays,
    alive: int,
    number: NDArray[np.int64],
    bright: NDArray[np.float64],
    out: Candidates,
) -> int:
    """Mirror rays where they are and keep their facets; those that go on searching."""
    tree, boundary = room.tree, room.boundary
    store_vec(rays.d, mirrored(load_vec(rays.d), load_vec(rays.normal)))
    alive &= ~too_long(room.plan, rays)
    left = alive
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        k, order, i = rays.triangle[lane], rays.order[lane], number[lane]
        facet = tree.facet[k]
        out.length[i] = rays.since[lane]
        bright[lane] *= brightness[boundary.material[facet]]
        if bright[lane] < dim or order == DEEPEST or tree.fine[k]:
            alive &= ~(1 << lane)
            continue
        rays.facet[lane], out.facets[i, order] = facet, facet
        rays.path[lane] = key_after(rays.path[lane], facet)
        rays.order[lane] += 1
    return alive


@allocating
def follow_mirrored(
    first: int,
    step: int,
    room: Room,
    sources: NDArray[np.float64],
    brightness: NDArray[np.float64],
    dim: float,
    near_m: float,
    places: NDArray[np.float64],
    rays: Rays,
    out: Candidates,
) -> None:
    """Candidates of the rays of portions first, first + step ...; each source has as many.

    `places` : (rays, 2) of their directions on the unit square that is mapped to the sphere. A ray
    ends where its share of `brightness` : (materials,) falls below `dim`, and where a facet is a
    piece of a curve.
    """
    tree = room.tree  # taken in the loop it would be counted at every step
    portions = len(out.number)
    each = len(places) // portions
    number, bright = np.zeros(WIDTH, np.int64), np.empty(WIDTH)
    lost = Lost(np.zeros(1, np.int64), np.empty(6))
    for portion in range(first, portions, step):
        source, begun = portion * len(sources) // portions, portion * each
        own = places[begun : begun + each]
        alive, started = 0, np.int64(0)
        while True:
            new = start_searching(sources, source, own, started, rays, bright, alive)
            alive |= new
            while new != 0:
                number[lowest(new)] = begun + started
                started += 1
                new &= new - 1
            if alive == 0:
                break
            nearest_of_sixteen(tree, rays, alive)
            alive = inside(rays, alive, lost)
            note_candidates(room, portion, rays, alive, near_m, number, out)
            advance(rays)
            alive = mirror_on(room, brightness, dim, rays, alive, number, bright, out)


@allocating
def weigh_paths(
    first: int,
    step: int,
    room: Room,
    planes: Planes,
    sources: NDArray[np.float64],
    emission: Emission,
    source: NDArray[np.int32],
    receiver: NDArray[np.int32],
    order: NDArray[np.int32],
    facets: NDArray[np.int32],
    length: NDArray[np.float64],
    energy: NDArray[np.float64],
) -> None:
    """What paths first, first + step ... bring to the very point of their receivers.

    Parameters
    ----------
    source, receiver, order : (n,); facets : (n, DEEPEST)
    length : (n,) m, written
    energy : (n, variants, bands) squared pressure re the 10 m free field, written; 0 where
        something is in the way
    """
    tree, boundary, cover, plan = room.tree, room.boundary, room.cover, room.plan
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK, np.float64)
    images, points = np.empty((DEEPEST + 1, 3)), np.empty((DEEPEST, 3))
    chosen, over = np.empty(DEEPEST, np.int64), np.empty(len(cover.material), np.int64)
    for i in range(first, len(source), step):
        set_row(images, 0, row(sources, source[i]))
        for leg in range(order[i]):
            f = facets[i, leg]
            chosen[leg] = f
            image = mirror_point(row(images, leg), row(planes.normal, f), planes.level[f])
            images[leg + 1, 0], images[leg + 1, 1], images[leg + 1, 2] = image.x, image.y, image.z
        centre = row(room.receivers.position, receiver[i])
        way = sub(row(images, order[i]), centre)
        length[i] = dot(way, way) ** 0.5
        energy[i] = 0.0
        if not may_hold(planes, chosen, images, order[i], centre):
            continue
        if not path_holds(tree, chosen, images, order[i], centre, stack, reach, points):
            continue
        p = row(images, 0)
        d = unit(sub(row(points, 0), p))
        for v in range(energy.shape[1]):
            emit(emission, source[i], d, energy[i, v])
        for leg in range(order[i]):
            q, f = row(points, leg), chosen[leg]
            cosine = abs(dot(unit(sub(q, p)), row(planes.normal, f)))
            count = covering(cover, f, q, over)
            for v in range(energy.shape[1]):
                material = material_in(cover, over, count, v, boundary.material[f])
                reflect(boundary, material, cosine, energy[i, v])
                for b in range(energy.shape[2]):
                    energy[i, v, b] *= 1.0 - boundary.scattering[material, boundary.band_class[b]]
            p = q
        for b in range(energy.shape[2]):
            arriving = 100.0 / length[i] ** 2 * exp(-plan.attenuation[b] * length[i])
            for v in range(energy.shape[1]):
                energy[i, v, b] *= arriving
