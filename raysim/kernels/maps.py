"""Where energy meets the surfaces, and what each patch of them does to what receivers hear.

Walks the same rays as `walk.trace` in one variant of the room and keeps, for every patch of a
grid on the facets, what falls on it, what reaches a receiver straight from it, and the derivative
of quantities of the histogram with respect to its absorption coefficient: a contribution E whose
path met a patch n times has dE/da = -n E / (1 - a). See docs/theory/maps.md.
"""

from __future__ import annotations

from math import exp, sqrt
from typing import NamedTuple

import numpy as np
from numba import prange
from numpy.typing import NDArray

from raysim.kernels.boundary import Boundary, Cover
from raysim.kernels.compiled import compiled, compiled_parallel, inlined
from raysim.kernels.count import Arrivals, History, Segment, find_arrivals, new_arrivals
from raysim.kernels.directions import start_direction
from raysim.kernels.emission import Emission, emit
from raysim.kernels.ray import Plan, Receivers, Room, Scratch, new_scratch, pass_on, start, survives
from raysim.kernels.tree import NOTHING, Tree, nearest
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec, along, dot, row, sub
from raysim.kernels.walk import DRAWS, FIRST_DRAW, Lost, met, note_lost

LONGEST = 4096  # reflections a path may have and still be told by its patches
EMITTED, ABSORBED, AIR, LEFT, LOST, BY_CHANCE = range(6)


class Patches(NamedTuple):
    """Grid of patches on every facet.

    first : (facets,) int64, index of a facet's first patch
    columns, rows : (facets,) int64
    side : (facets, 2) m along u and v
    frame : (facets, 3, 3) origin, u, v
    """

    first: NDArray[np.int64]
    columns: NDArray[np.int64]
    rows: NDArray[np.int64]
    side: NDArray[np.float64]
    frame: NDArray[np.float64]


class Mapped(NamedTuple):
    """What is summed over rays.

    incident : (patches, windows, bands) share of the energy of a ray on the axis
    arriving : (patches, receivers, windows, bands) squared pressure re the 10 m free field
    slope : (patches, quantities, receivers, bands) of each quantity over absorption
    books : (6, bands) emitted, absorbed, taken by air, left when rays end, lost, and what chance
        has taken (roulette and decisions; its expectation is zero)
    """

    incident: NDArray[np.float64]
    arriving: NDArray[np.float64]
    slope: NDArray[np.float64]
    books: NDArray[np.float64]


class Path(NamedTuple):
    """Patches that a ray has met, (LONGEST,), and 1 / (1 - a) there, (LONGEST, bands)."""

    patch: NDArray[np.int64]
    inverse: NDArray[np.float64]


@inlined
def patch_at(patches: Patches, facet: int, p: Vec) -> int:
    """Index of the patch of a facet at point p."""
    frame = patches.frame[facet]
    away = sub(p, row(frame, 0))
    column = int(max(0.0, dot(away, row(frame, 1))) / patches.side[facet, 0])
    line = int(max(0.0, dot(away, row(frame, 2))) / patches.side[facet, 1])
    column = min(column, patches.columns[facet] - 1)
    line = min(line, patches.rows[facet] - 1)
    return patches.first[facet] + line * patches.columns[facet] + column


@compiled
def patches_at(
    patches: Patches,
    facet: NDArray[np.int64],
    point: NDArray[np.float64],
    out: NDArray[np.int64],
) -> None:
    """Patch at each point : (n, 3) of a facet, out : (n,)."""
    for i in range(len(facet)):
        out[i] = patch_at(patches, facet[i], row(point, i))


@inlined
def window_of(late: float, ends: NDArray[np.float64]) -> int:
    """Index of the time window of a delay; the last has no end."""
    w = 0
    while w < len(ends) and late >= ends[w]:
        w += 1
    return w


@inlined
def energy_now(boundary: Boundary, state: Scratch, b: int) -> float:
    """Energy of a ray in one band, air left out, weighed by the chance of its decisions."""
    c = boundary.band_class[b]
    return state.energy[b] * state.energy_of[0, b] * state.chance[c] * state.chance_of[0, c]


@inlined
def add_arrivals(
    room: Room,
    offset: NDArray[np.float64],
    ends: NDArray[np.float64],
    weights: NDArray[np.float64],
    arrivals: Arrivals,
    count: int,
    path: Path,
    order: int,
    state: Scratch,
    out: Mapped,
) -> None:
    """Add what a segment brings to the last patch and to the slopes of all patches of its path."""
    plan, boundary = room.plan, room.boundary
    for a in range(count):
        r, length = arrivals.receiver[a], arrivals.length[a]
        late = max(0.0, length - offset[r]) / plan.speed
        k = int(late / plan.bin_s)
        if k >= weights.shape[3]:
            continue
        w = window_of(late, ends)
        for b in range(len(state.energy)):
            energy = arrivals.weight[a] * energy_now(boundary, state, b)
            energy *= exp(-plan.attenuation[b] * length)
            out.arriving[path.patch[order - 1], r, w, b] += energy
            for q in range(len(weights)):
                change = energy * weights[q, r, b, k]
                for i in range(order):
                    out.slope[path.patch[i], q, r, b] -= change * path.inverse[i, b]


@inlined
def enter(out: Mapped, entry: int, energy: NDArray[np.float64]) -> None:
    """Add energy : (bands,) to an entry of the books."""
    for b in range(len(energy)):
        out.books[entry, b] += energy[b]


@inlined
def become(
    room: Room,
    state: Scratch,
    length: float,
    entry: int,
    held: NDArray[np.float64],
    out: Mapped,
) -> None:
    """Enter the difference between what the ray held and what it carries after `length` m."""
    for b in range(len(held)):
        now = energy_now(room.boundary, state, b) * exp(-room.plan.attenuation[b] * length)
        out.books[entry, b] += held[b] - now
        held[b] = now


@inlined
def absorb(
    state: Scratch,
    inverse: NDArray[np.float64],
    held: NDArray[np.float64],
    out: Mapped,
) -> None:
    """Enter what a reflection took; inverse : (bands,) holds the energy before, then 1/(1 - a)."""
    for b in range(len(held)):
        arrived, left = inverse[b], state.energy[b] * state.energy_of[0, b]
        inverse[b] = arrived / left if left > 0.0 else 0.0
        absorbed = held[b] * (1.0 - left / arrived) if arrived > 0.0 else 0.0
        out.books[ABSORBED, b] += absorbed
        held[b] -= absorbed


@compiled
def map_ray(
    room: Room,
    offset: NDArray[np.float64],
    patches: Patches,
    ends: NDArray[np.float64],
    weights: NDArray[np.float64],
    o: Vec,
    d: Vec,
    hero: int,
    stream: np.uint64,
    state: Scratch,
    arrivals: Arrivals,
    path: Path,
    out: Mapped,
    lost: Lost,
) -> None:
    """Follow one ray as `walk.trace_ray` does; the books balance band by band."""
    start(state)
    tree = room.tree
    source, facet = o, NOTHING
    before, since = 0.0, 0.0
    history = History(0, True, True)
    held = state.energy.copy()
    enter(out, EMITTED, held)
    while True:
        k, t = nearest(tree, o, d, facet, state.stack, state.reach)
        if k == NOTHING or dot(d, row(tree.normal, k)) > 0.0:
            note_lost(o, d, lost)
            enter(out, LOST, held)
            return
        segment = Segment(o, d, t, before, since)
        count = find_arrivals(room, segment, history, stream, state, arrivals)
        if history.order > 0:
            add_arrivals(
                room, offset, ends, weights, arrivals, count, path, history.order, state, out
            )
        since += t
        o, facet = along(o, t, d), tree.facet[k]
        length = before + since
        become(room, state, length, AIR, held, out)
        if length > room.plan.longest or history.order == LONGEST:
            enter(out, LEFT, held)
            return
        patch = patch_at(patches, facet, o)
        away = sub(o, source)
        w = window_of((length - sqrt(dot(away, away))) / room.plan.speed, ends)
        path.patch[history.order] = patch
        for b in range(len(held)):
            out.incident[patch, w, b] += held[b]
            path.inverse[history.order, b] = state.energy[b] * state.energy_of[0, b]
        draw = FIRST_DRAW + DRAWS * history.order
        diffuse, d = pass_on(room, k, o, d, hero, stream, draw, state)
        absorb(state, path.inverse[history.order], held, out)
        history = met(tree, k, history, diffuse, state)
        if diffuse:
            before, since = before + since, 0.0
        if not survives(room.boundary, stream, draw + 3, state):
            enter(out, BY_CHANCE, held)
            return
        become(room, state, length, BY_CHANCE, held, out)


@compiled_parallel
def map_rays(
    tree: Tree,
    boundary: Boundary,
    cover: Cover,
    receivers: Receivers,
    plan: Plan,
    offset: NDArray[np.float64],
    sources: NDArray[np.float64],
    emission: Emission,
    patches: Patches,
    ends: NDArray[np.float64],
    weights: NDArray[np.float64],
    seed: int,
    groups: int,
    batches_a_group: int,
    round_number: int,
    rays: int,
    incident: NDArray[np.float64],
    arriving: NDArray[np.float64],
    slope: NDArray[np.float64],
    books: NDArray[np.float64],
    out_lost: NDArray[np.int64],
    out_lost_ray: NDArray[np.float64],
) -> None:
    """One round of the rays of `walk.trace`, batches in groups, each group on its own.

    Parameters
    ----------
    offset : (sources, receivers) m, path length at which each histogram starts
    ends : (windows - 1,) s, ends of the time windows
    weights : (sources, quantities, receivers, bands, time)
        Derivative of each quantity with respect to the energy in each bin.
    incident, arriving, slope, books : (sources, groups, ...) as in `Mapped`
    out_lost : (sources, groups); out_lost_ray : (sources, groups, 6)
    """
    for task in prange(len(sources) * groups):
        room = Room(tree, boundary, cover, receivers, plan)  # a parallel loop takes none nested
        source, group = task // groups, task % groups
        state, arrivals = new_scratch(room), new_arrivals(room.receivers)
        bands = len(state.energy)
        path = Path(np.empty(LONGEST, np.int64), np.empty((LONGEST, bands)))
        out = Mapped(
            incident[source, group],
            arriving[source, group],
            slope[source, group],
            books[source, group],
        )
        lost = Lost(out_lost[source, group : group + 1], out_lost_ray[source, group])
        for batch in range(group * batches_a_group, (group + 1) * batches_a_group):
            portion = branch(branch(branch(np.uint64(seed), source), batch), round_number)
            heroes = state.chance_of.size
            first_hero = int(uniform(portion, 2) * heroes)
            for i in range(rays):
                d = start_direction(portion, i)
                emit(emission, source, d, state.energy)
                map_ray(
                    room,
                    offset[source],
                    patches,
                    ends,
                    weights[source],
                    row(sources, source),
                    d,
                    (i + first_hero) % heroes,
                    branch(portion, i),
                    state,
                    arrivals,
                    path,
                    out,
                    lost,
                )
