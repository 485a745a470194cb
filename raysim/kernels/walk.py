"""Rays through a room: find the next surface, count receivers on the way, reflect."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.abreast import MIRRORS, Rays, begin, new_rays
from raysim.kernels.compiled import allocating, inlined, released
from raysim.kernels.count import Arrivals, find_arrivals, new_arrivals
from raysim.kernels.directions import lambert, on_sphere, start_direction
from raysim.kernels.emission import Emission, emit
from raysim.kernels.histogram import hand_over, record, sample
from raysim.kernels.keys import key_after, source_key
from raysim.kernels.lanes import (
    ALL,
    bits,
    choose,
    how_many,
    load,
    lowest,
    spread,
    store,
    truths,
)
from raysim.kernels.nearest import nearest, nearest_of_sixteen
from raysim.kernels.ray import Plan, Room, pass_on, survivors
from raysim.kernels.threads import share_out
from raysim.kernels.tree import NOTHING, STACK, Tree
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec, along, column, dot, load_vec, row, store_vec

PILOT = -1  # the round that finds how long the room rings


class Lost(NamedTuple):
    """Where rays left the room: number (1,), origin and direction of the first (6,)."""

    number: NDArray[np.int64]
    ray: NDArray[np.float64]


@inlined
def advance(rays: Rays) -> None:
    """Move all rays to the ends of their segments."""
    o, d, t = load_vec(rays.o), load_vec(rays.d), load(rays.t, 0)
    store_vec(rays.o, along(o, t, d))
    store(rays.since, 0, load(rays.since, 0) + t)


@inlined
def go_on(rays: Rays, diffuse: int) -> None:
    """Count a reflection; what was spread starts anew."""
    spread_out, nothing = truths(diffuse), spread(0.0)
    before, since = load(rays.before, 0), load(rays.since, 0)
    store(rays.before, 0, choose(spread_out, before + since, before))
    store(rays.since, 0, choose(spread_out, nothing, since))
    store(rays.order, 0, load(rays.order, 0) + np.int32(1))


@inlined
def still_known(tree: Tree, rays: Rays, mirrored: int, known: int) -> int:
    """Of the rays that are `mirrored` once more, those whose facets are all kept."""
    left = mirrored
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        rays.path[lane] = key_after(rays.path[lane], rays.facet[lane])
        if rays.order[lane] < MIRRORS and not tree.fine[rays.triangle[lane]]:
            rays.mirrors[rays.order[lane], lane] = rays.facet[lane]
        else:
            known &= ~(1 << lane)
    return known


@inlined
def too_long(plan: Plan, rays: Rays) -> int:
    """Pattern of the rays that have travelled far enough."""
    return bits(plan.longest < load(rays.before, 0) + load(rays.since, 0))


@inlined
def inside(rays: Rays, alive: int, lost: Lost) -> int:
    """Those of the rays that meet a surface from its front; others are counted as lost."""
    n, d = load_vec(rays.normal), load_vec(rays.d)
    met = bits(load(rays.triangle, 0) != np.int32(NOTHING))
    behind = (bits(0.0 < dot(n, d)) | ~met) & alive
    left = behind
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        note_lost(column(rays.o, lane), column(rays.d, lane), lost)
        rays.t[lane] = 0.0  # where it is, for good
    return alive & ~behind


@inlined
def note_lost(o: Vec, d: Vec, lost: Lost) -> None:
    """Count a ray that left the room; the place of the first is kept."""
    if lost.number[0] == 0:
        lost.ray[0], lost.ray[1], lost.ray[2] = o.x, o.y, o.z
        lost.ray[3], lost.ray[4], lost.ray[5] = d.x, d.y, d.z
    lost.number[0] += 1


def rays_in(room: Room) -> Rays:
    """Working space for WIDTH rays."""
    boundary, cover = room.boundary, room.cover
    bands, classes = boundary.reflectance.shape[1], boundary.scattering.shape[1]
    return new_rays(bands, classes, cover.present.shape[1], len(cover.material))


@inlined
def start_next(
    sources: NDArray[np.float64],
    emission: Emission,
    source: int,
    portion: np.uint64,
    first_hero: int,
    i: int,
    rays: Rays,
    lane: int,
) -> None:
    """Let ray i of a portion start in a lane."""
    d = start_direction(portion, i)
    emit(emission, source, d, rays.energy[:, lane])
    hero = (i + first_hero) % (len(rays.chance) * rays.variants)
    begin(rays, lane, row(sources, source), d, hero, branch(portion, i))
    rays.path[lane] = source_key(source)


@inlined
def fill_up(
    sources: NDArray[np.float64],
    emission: Emission,
    source: int,
    portion: np.uint64,
    first_hero: int,
    started: int,
    number: int,
    rays: Rays,
    alive: int,
) -> int:
    """Let the next rays of a portion start where none is alive, up to its number; which did."""
    begun = 0
    free = ALL & ~alive
    while free != 0 and started < number:
        lane = lowest(free)
        free &= free - 1
        start_next(sources, emission, source, portion, first_hero, started, rays, lane)
        started += 1
        begun |= 1 << lane
    return begun


@inlined
def portion_of(seed: np.uint64, source: int, batch: int, round_number: int) -> np.uint64:
    """Stream of a source's rays of one batch in one round."""
    if round_number == PILOT:
        return branch(branch(seed, 1_000_000 + source), batch)
    return branch(branch(branch(seed, source), batch), round_number)


@released
def trace_tasks(
    first: int,
    step: int,
    room: Room,
    offset: NDArray[np.float64],
    sources: NDArray[np.float64],
    emission: Emission,
    seed: int,
    batches: int,
    round_number: int,
    number: int,
    rays: Rays,
    arrivals: Arrivals,
    histogram: NDArray[np.float64],
    out: NDArray[np.float64],
    out_reflections: NDArray[np.int64],
    out_lost: NDArray[np.int64],
    out_lost_ray: NDArray[np.float64],
) -> None:
    """As `trace`, of batches and sources counted as one the tasks first, first + step ...

    Where a ray ends the next of its batch starts. `histogram` is of one task. The round PILOT
    takes the energy in the room in place of what arrives.
    """
    heroes = len(rays.chance) * rays.variants
    for task in range(first, len(sources) * batches, step):
        source, batch = task // batches, task % batches
        portion = portion_of(np.uint64(seed), source, batch, round_number)
        first_hero = 0 if round_number == PILOT else int(uniform(portion, 2) * heroes)
        lost = Lost(out_lost[source, batch : batch + 1], out_lost_ray[source, batch])
        alive, specular, known = 0, 0, 0
        started, reflections = np.int64(0), np.int64(0)
        while True:
            begun = fill_up(
                sources, emission, source, portion, first_hero, started, number, rays, alive
            )
            started += how_many(begun)
            alive, specular, known = alive | begun, specular | begun, known | begun
            if alive == 0:
                break
            nearest_of_sixteen(room.tree, rays, alive)
            alive = inside(rays, alive, lost)
            if round_number == PILOT:
                alive = sample(room, rays, alive, histogram[0])
            else:
                count = find_arrivals(room, rays, alive, specular, known, arrivals)
                record(room, offset[source], arrivals, count, rays, histogram)
            advance(rays)
            alive &= ~too_long(room.plan, rays)
            diffuse = pass_on(room, rays, alive)
            reflections += how_many(alive)
            specular &= ~diffuse
            known = still_known(room.tree, rays, alive & specular, known)
            go_on(rays, diffuse)
            alive = survivors(room, rays, alive)
        # once: threads that write numbers beside each other slow each other down
        out_reflections[source, batch] += reflections
        hand_over(histogram, number, out[batch, :, source])


def trace(
    room: Room,
    offset: NDArray[np.float64],
    sources: NDArray[np.float64],
    emission: Emission,
    seed: int,
    batches: int,
    round_number: int,
    rays: int,
    out: NDArray[np.float64],
    out_reflections: NDArray[np.int64],
    out_lost: NDArray[np.int64],
    out_lost_ray: NDArray[np.float64],
) -> None:
    """One round: `rays` rays for every source and batch, each batch on its own.

    Parameters
    ----------
    offset : (sources, receivers) m, path length at which each histogram starts
    sources : (sources, 3) m
    out : (batches, variants, sources, receivers, bands, time), overwritten
        Squared pressure re the 10 m free field.
    out_reflections, out_lost : (sources, batches); out_lost_ray : (sources, batches, 6)
    """
    _, variants, _, receivers, bands, time = out.shape
    share_out(
        lambda first, step: trace_tasks(
            first,
            step,
            room,
            offset,
            sources,
            emission,
            np.uint64(seed),
            batches,
            round_number,
            rays,
            rays_in(room),
            new_arrivals(room.receivers),
            np.zeros((receivers, time, bands, variants)),
            out,
            out_reflections,
            out_lost,
            out_lost_ray,
        ),
        len(sources) * batches,
    )


def energy_left(
    room: Room,
    sources: NDArray[np.float64],
    emission: Emission,
    seed: int,
    rays: int,
    out: NDArray[np.float64],
) -> None:
    """Energy in the room at the times k * bin_s, mean over rays, by the steps of `trace_tasks`.

    out : (1, variants, sources, 1, bands, time), overwritten
    """
    _, variants, _, _, bands, time = out.shape
    each = len(sources), 1
    share_out(
        lambda first, step: trace_tasks(
            first,
            step,
            room,
            np.zeros(each),
            sources,
            emission,
            np.uint64(seed),
            1,
            PILOT,
            rays,
            rays_in(room),
            new_arrivals(room.receivers),
            np.zeros((1, time, bands, variants)),
            out,
            np.zeros(each, np.int64),
            np.zeros(each, np.int64),
            np.empty((*each, 6)),
        ),
        len(sources),
    )


@allocating
def free_paths(
    tree: Tree,
    source: NDArray[np.float64],
    seed: int,
    rays: int,
    skip: int,
    reflections: int,
    out: NDArray[np.float64],
) -> None:
    """Path lengths between diffuse (Lambert) reflections, out : (rays, reflections) m.

    The first `skip` segments of each ray, still shaped by its start, are left out.
    """
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK, np.float64)
    for i in range(rays):
        stream = branch(np.uint64(seed), i)
        o, d, facet = row(source, 0), on_sphere(uniform(stream, 0), uniform(stream, 1)), NOTHING
        for segment in range(skip + reflections):
            k, t = nearest(tree, o, d, facet, stack, reach)
            if segment >= skip:
                out[i, segment - skip] = t
            o, facet = along(o, t, d), tree.facet[k]
            draw = 2 + 2 * segment
            d = lambert(row(tree.normal, k), uniform(stream, draw), uniform(stream, draw + 1))
