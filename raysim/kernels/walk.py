"""Rays through a room: find the next surface, count receivers on the way, reflect."""

from __future__ import annotations

from math import exp
from typing import NamedTuple

import numpy as np
from numba import prange
from numpy.typing import NDArray

from raysim.kernels.boundary import Boundary, Cover
from raysim.kernels.compiled import compiled, compiled_parallel, inlined, uncounted
from raysim.kernels.count import Arrivals, History, Segment, find_arrivals, new_arrivals
from raysim.kernels.directions import lambert, on_sphere, start_direction
from raysim.kernels.emission import Emission, emit
from raysim.kernels.ray import (
    MIRRORS,
    Plan,
    Receivers,
    Room,
    Scratch,
    new_scratch,
    pass_on,
    start,
    survives,
)
from raysim.kernels.tree import NOTHING, STACK, Tree, nearest, nearest_inline
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec, along, dot, row

DRAWS = 4  # random numbers set aside for each reflection
FIRST_DRAW = 2  # draws 0 and 1 of a round's stream shift its start directions


class Lost(NamedTuple):
    """Where rays left the room: number (1,), origin and direction of the first (6,)."""

    number: NDArray[np.int64]
    ray: NDArray[np.float64]


@inlined
def record(
    room: Room,
    offset: NDArray[np.float64],
    arrivals: Arrivals,
    count: int,
    state: Scratch,
    out: NDArray[np.float64],
) -> None:
    """Add arrivals to out : (receivers, time, variants, bands), `offset` m after the start."""
    plan, boundary = room.plan, room.boundary
    for a in range(count):
        r, length = arrivals.receiver[a], arrivals.length[a]
        k = int(max(0.0, length - offset[r]) / (plan.speed * plan.bin_s))
        if k >= out.shape[1]:
            continue
        for b in range(len(state.energy)):
            c = boundary.band_class[b]
            shared = state.chance[c] * state.energy[b] * exp(-plan.attenuation[b] * length)
            shared *= arrivals.weight[a]
            for v in range(len(state.energy_of)):
                out[r, k, v, b] += shared * state.chance_of[v, c] * state.energy_of[v, b]


@inlined
def met(tree: Tree, k: int, history: History, diffuse: bool, state: Scratch) -> History:
    """History after a reflection at triangle k."""
    known = history.known and history.order < MIRRORS and not tree.fine[k]
    if known:
        state.mirrors[history.order] = tree.facet[k]
    return History(history.order + 1, history.specular and not diffuse, known)


@inlined
def note_lost(o: Vec, d: Vec, lost: Lost) -> None:
    """Count a ray that left the room; the place of the first is kept."""
    if lost.number[0] == 0:
        lost.ray[0], lost.ray[1], lost.ray[2] = o.x, o.y, o.z
        lost.ray[3], lost.ray[4], lost.ray[5] = d.x, d.y, d.z
    lost.number[0] += 1


@uncounted
def trace_ray(
    room: Room,
    offset: NDArray[np.float64],
    o: Vec,
    d: Vec,
    hero: int,
    stream: np.uint64,
    state: Scratch,
    arrivals: Arrivals,
    out: NDArray[np.float64],
    lost: Lost,
) -> int:
    """Follow one ray of `state.energy` from a source to its end; the number of reflections.

    `before` is the path up to the last diffusing point, `since` the path after it.
    """
    start(state)
    tree, facet = room.tree, NOTHING
    before, since = 0.0, 0.0
    history = History(0, True, True)
    while True:
        k, t = nearest_inline(tree, o, d, facet, state.stack, state.reach)
        if k == NOTHING or dot(d, row(tree.normal, k)) > 0.0:
            note_lost(o, d, lost)
            return history.order
        segment = Segment(o, d, t, before, since)
        count = find_arrivals(room, segment, history, stream, state, arrivals)
        record(room, offset, arrivals, count, state, out)
        since += t
        if before + since > room.plan.longest:
            return history.order
        o, facet = along(o, t, d), tree.facet[k]
        draw = FIRST_DRAW + DRAWS * history.order
        diffuse, d = pass_on(room, k, o, d, hero, stream, draw, state)
        history = met(tree, k, history, diffuse, state)
        if diffuse:
            before, since = before + since, 0.0
        if not survives(room.boundary, stream, draw + 3, state):
            return history.order


@compiled_parallel
def trace(
    tree: Tree,
    boundary: Boundary,
    cover: Cover,
    receivers: Receivers,
    plan: Plan,
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
    out : (sources, batches, receivers, time, variants, bands)
        Sum over rays; divide by `rays` for squared pressure re the 10 m free field.
    out_reflections, out_lost : (sources, batches); out_lost_ray : (sources, batches, 6)
    """
    for task in prange(len(sources) * batches):
        room = Room(tree, boundary, cover, receivers, plan)  # a parallel loop takes none nested
        source, batch = task // batches, task % batches
        state, arrivals = new_scratch(room), new_arrivals(room.receivers)
        portion = branch(branch(branch(np.uint64(seed), source), batch), round_number)
        heroes = state.chance_of.size
        first_hero = int(uniform(portion, 2) * heroes)
        lost = Lost(out_lost[source, batch : batch + 1], out_lost_ray[source, batch])
        reflections = 0
        for i in range(rays):
            d = start_direction(portion, i)
            emit(emission, source, d, state.energy)
            reflections += trace_ray(
                room,
                offset[source],
                row(sources, source),
                d,
                (i + first_hero) % heroes,
                branch(portion, i),
                state,
                arrivals,
                out[source, batch],
                lost,
            )
        out_reflections[source, batch] += reflections


@uncounted
def follow_energy(
    room: Room,
    o: Vec,
    d: Vec,
    hero: int,
    stream: np.uint64,
    state: Scratch,
    out: NDArray[np.float64],
) -> None:
    """Add the energy of a ray of `state.energy` at the times k * bin_s.

    out : (time, variants, bands)
    """
    start(state)
    tree, plan, facet = room.tree, room.plan, NOTHING
    travelled, k, draw = 0.0, 0, FIRST_DRAW
    step = plan.bin_s * plan.speed
    while True:
        hit, t = nearest(tree, o, d, facet, state.stack, state.reach)
        if hit == NOTHING:
            return
        while k * step < travelled + t:
            for b in range(len(state.energy)):
                c = room.boundary.band_class[b]
                shared = state.chance[c] * state.energy[b] * exp(-plan.attenuation[b] * k * step)
                for v in range(len(state.energy_of)):
                    out[k, v, b] += shared * state.chance_of[v, c] * state.energy_of[v, b]
            k += 1
            if k == out.shape[0]:
                return
        travelled += t
        o, facet = along(o, t, d), tree.facet[hit]
        _, d = pass_on(room, hit, o, d, hero, stream, draw, state)
        if not survives(room.boundary, stream, draw + 3, state):
            return
        draw += DRAWS


@compiled_parallel
def energy_left(
    tree: Tree,
    boundary: Boundary,
    cover: Cover,
    receivers: Receivers,
    plan: Plan,
    sources: NDArray[np.float64],
    emission: Emission,
    seed: int,
    rays: int,
    out: NDArray[np.float64],
) -> None:
    """Energy in the room at the times k * bin_s, summed over rays.

    out : (sources, time, variants, bands)
    """
    for source in prange(len(sources)):
        room = Room(tree, boundary, cover, receivers, plan)  # a parallel loop takes none nested
        state = new_scratch(room)
        portion = branch(branch(np.uint64(seed), 1_000_000 + source), 0)
        for i in range(rays):
            d = start_direction(portion, i)
            emit(emission, source, d, state.energy)
            follow_energy(
                room,
                row(sources, source),
                d,
                i % state.chance_of.size,
                branch(portion, i),
                state,
                out[source],
            )


@compiled
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
            draw = FIRST_DRAW + 2 * segment
            d = lambert(row(tree.normal, k), uniform(stream, draw), uniform(stream, draw + 1))
