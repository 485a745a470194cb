"""Where energy meets the surfaces, and what each patch of them does to what receivers hear.

Walks the same rays as `walk.trace` in one variant of the room and keeps, for every patch of a
grid on the facets, what falls on it, what reaches a receiver straight from it, and the derivative
of quantities of the histogram with respect to its absorption coefficient. See docs/theory/maps.md.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.abreast import Rays
from raysim.kernels.books import (
    LEFT,
    LOST,
    Books,
    enter_absorbed,
    enter_air,
    enter_chance,
    enter_emitted,
    enter_rest,
    hand_over,
    new_books,
)
from raysim.kernels.compiled import compiled, inlined, released
from raysim.kernels.count import Arrivals, find_arrivals, new_arrivals
from raysim.kernels.emission import Emission
from raysim.kernels.lanes import WIDTH, how_many, load, lowest, prefetch, root, store
from raysim.kernels.nearest import nearest_of_sixteen
from raysim.kernels.ray import Room, pass_on, survivors
from raysim.kernels.sensitivity import LONGEST, Path, keep_change, new_path, settle_all
from raysim.kernels.threads import share_out
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec, column, dot, load_vec, row, sub
from raysim.kernels.walk import (
    Lost,
    advance,
    fill_up,
    go_on,
    inside,
    rays_in,
    still_known,
    too_long,
)


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


class Wanted(NamedTuple):
    """What is asked of rays.

    offset : (sources, receivers) m, path length at which each histogram starts
    ends : (windows - 1,) s, ends of the time windows
    weight : (sources, quantities, receivers, time, bands)
        Derivative of each quantity with respect to the energy in each bin.
    heard : (sources, quantities, receivers, time) whether any of its bands is not 0
    """

    patches: Patches
    offset: NDArray[np.float64]
    ends: NDArray[np.float64]
    weight: NDArray[np.float64]
    heard: NDArray[np.bool_]


class Mapped(NamedTuple):
    """What is summed over rays. Most of it is late: patches stand together, so that those sums
    fit the processor's cache.

    incident : (windows, patches, bands) share of the energy of a ray on the axis
    arriving : (receivers, windows, patches, bands) squared pressure re the 10 m free field
    slope : (quantities, receivers, patches, bands) of each quantity over absorption
    books : (6, bands) emitted, absorbed, taken by air, left when rays end, lost, and what chance
        has taken (roulette and decisions; its expectation is zero)
    """

    incident: NDArray[np.float64]
    arriving: NDArray[np.float64]
    slope: NDArray[np.float64]
    books: NDArray[np.float64]


class Walkers(NamedTuple):
    """WIDTH rays with all that is kept of them.

    late : (WIDTH,) m, path beyond the straight line from the source; window : (WIDTH,) of time
    energy : (bands,) of one arrival
    """

    rays: Rays
    arrivals: Arrivals
    books: Books
    path: Path
    late: NDArray[np.float64]
    window: NDArray[np.int64]
    energy: NDArray[np.float64]


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
def share_all(rays: Rays, alive: int) -> None:
    """Let what the one variant's covers have done to rays be part of what all variants share."""
    while alive != 0:
        lane = lowest(alive)
        alive &= alive - 1
        for b in range(len(rays.energy)):
            rays.energy[b, lane] *= rays.energy_of[lane, b, 0]
            rays.energy_of[lane, b, 0], rays.peak[b, lane] = 1.0, 1.0
        for c in range(len(rays.chance)):
            rays.chance[c, lane] *= rays.chance_of[lane, c, 0]
            rays.chance_of[lane, c, 0], rays.chance_sum[c, lane] = 1.0, 1.0


@inlined
def add_arrivals(
    room: Room, wanted: Wanted, source: int, count: int, walkers: Walkers, out: Mapped
) -> None:
    """Add what segments bring to the last patch, and keep what it changes."""
    plan, band_class = room.plan, room.boundary.band_class
    rays, arrivals, path, energy = walkers.rays, walkers.arrivals, walkers.path, walkers.energy
    for a in range(count):
        lane, r, length = arrivals.lane[a], arrivals.receiver[a], arrivals.length[a]
        late, order = max(0.0, length - wanted.offset[source, r]) / plan.speed, rays.order[lane]
        k = int(late / plan.bin_s)
        if order == 0 or k >= wanted.weight.shape[3]:
            continue
        patch, w = path.patch[order - 1, lane], window_of(late, wanted.ends)
        for b in range(len(energy)):
            share = rays.energy[b, lane] * rays.chance[band_class[b], lane]
            energy[b] = arrivals.weight[a] * share * exp(-plan.attenuation[b] * length)
            out.arriving[r, w, patch, b] += energy[b]
        for q in range(wanted.weight.shape[1]):
            if wanted.heard[source, q, r, k]:
                weight = wanted.weight[source, q, r, k]
                keep_change(path, lane, q, r, order, energy, weight, out.slope)


@inlined
def measure_delay(rays: Rays, source: Vec, late: NDArray[np.float64]) -> None:
    """Path of each ray beyond the straight line from its source to where it is."""
    o = load_vec(rays.o)
    away = Vec(o.x - source.x, o.y - source.y, o.z - source.z)
    store(late, 0, load(rays.before, 0) + load(rays.since, 0) - root(dot(away, away)))


@inlined
def find_patches(
    room: Room, wanted: Wanted, source: Vec, alive: int, walkers: Walkers, out: Mapped
) -> None:
    """Note which patches the rays of a pattern meet and where they are added, to be fetched."""
    rays = walkers.rays
    measure_delay(rays, source, walkers.late)
    _, patches, bands = out.incident.shape
    while alive != 0:
        lane = lowest(alive)
        alive &= alive - 1
        facet = room.tree.facet[rays.triangle[lane]]
        patch = patch_at(wanted.patches, facet, column(rays.o, lane))
        w = window_of(walkers.late[lane] / room.plan.speed, wanted.ends)
        walkers.path.patch[rays.order[lane], lane], walkers.window[lane] = patch, w
        first = (w * patches + patch) * bands
        prefetch(out.incident, first)
        prefetch(out.incident, first + bands - 1)


@inlined
def fall(alive: int, walkers: Walkers, out: Mapped) -> None:
    """Add what the rays of a pattern bring to the patches that they meet."""
    books, path = walkers.books, walkers.path
    while alive != 0:
        lane = lowest(alive)
        alive &= alive - 1
        order, w = walkers.rays.order[lane], walkers.window[lane]
        patch = path.patch[order, lane]
        for b in range(len(books.fallen)):
            out.incident[w, patch, b] += books.fallen[b, lane]
            path.inverse[order, lane, b] = books.inverse[b, lane]


@inlined
def at_the_end(room: Room, rays: Rays) -> int:
    """Pattern of the rays that have travelled far enough, or met as many patches as are kept."""
    ended = too_long(room.plan, rays)
    for lane in range(WIDTH):
        if rays.order[lane] == LONGEST:
            ended |= 1 << lane
    return ended


@inlined
def map_batch(
    room: Room,
    wanted: Wanted,
    sources: NDArray[np.float64],
    emission: Emission,
    source: int,
    portion: np.uint64,
    number: int,
    walkers: Walkers,
    out: Mapped,
    lost: Lost,
) -> None:
    """Follow the rays of a batch as `walk.trace_tasks` does."""
    rays, books = walkers.rays, walkers.books
    first_hero = int(uniform(portion, 2) * len(rays.chance) * rays.variants)
    alive, specular, known, started = 0, 0, 0, np.int64(0)
    while True:
        begun = fill_up(
            sources, emission, source, portion, first_hero, started, number, rays, alive
        )
        started += how_many(begun)
        enter_emitted(books, rays, begun)
        alive, specular, known = alive | begun, specular | begun, known | begun
        if alive == 0:
            break
        before = alive
        nearest_of_sixteen(room.tree, rays, alive)
        alive = inside(rays, alive, lost)
        enter_rest(books, LOST, before & ~alive)
        count = find_arrivals(room, rays, alive, specular, known, walkers.arrivals)
        add_arrivals(room, wanted, source, count, walkers, out)
        advance(rays)
        enter_air(books, room, rays, alive)
        ended = at_the_end(room, rays) & alive
        enter_rest(books, LEFT, ended)
        alive &= ~ended
        find_patches(room, wanted, row(sources, source), alive, walkers, out)
        diffuse = pass_on(room, rays, alive)
        if len(room.cover.material) > 0:
            share_all(rays, alive)
        enter_absorbed(books, rays, alive)
        fall(alive, walkers, out)
        specular &= ~diffuse
        known = still_known(room.tree, rays, alive & specular, known)
        go_on(rays, diffuse)
        alive = survivors(room, rays, alive)
        enter_chance(books, room, rays, alive)
        settle_all(walkers.path, before & ~alive, out.slope)


@released
def map_tasks(
    first: int,
    step: int,
    room: Room,
    wanted: Wanted,
    sources: NDArray[np.float64],
    emission: Emission,
    seed: int,
    batches_a_group: int,
    rounds: tuple[int, int],
    number: int,
    walkers: Walkers,
    every: Mapped,
    out_lost: NDArray[np.int64],
    out_lost_ray: NDArray[np.float64],
) -> None:
    """As `map_rays`, of groups and sources counted as one the tasks first, first + step ..."""
    groups = out_lost.shape[1]
    for task in range(first, len(sources) * groups, step):
        source, group = task // groups, task % groups
        lost = Lost(out_lost[source, group : group + 1], out_lost_ray[source, group])
        out = Mapped(
            every.incident[source, group],
            every.arriving[source, group],
            every.slope[source, group],
            every.books[source, group],
        )
        for number_of_round in range(rounds[0], rounds[1]):
            for batch in range(group * batches_a_group, (group + 1) * batches_a_group):
                portion = branch(branch(np.uint64(seed), source), batch)
                portion = branch(portion, number_of_round)
                map_batch(
                    room, wanted, sources, emission, source, portion, number, walkers, out, lost
                )
        hand_over(walkers.books, out.books)


def map_rays(
    room: Room,
    wanted: Wanted,
    sources: NDArray[np.float64],
    emission: Emission,
    seed: int,
    batches: int,
    rounds: tuple[int, int],
    rays: int,
    every: Mapped,
    out_lost: NDArray[np.int64],
    out_lost_ray: NDArray[np.float64],
) -> None:
    """Rounds of the rays of `walk.trace` in a room of one variant, batches in groups.

    Parameters
    ----------
    rounds : the first, and the one after the last
    every : Mapped
        Of shapes (sources, groups, ...); each group on its own.
    out_lost : (sources, groups); out_lost_ray : (sources, groups, 6)
    """
    groups, bands = out_lost.shape[1], len(room.plan.attenuation)
    quantities, receivers = wanted.weight.shape[1:3]
    share_out(
        lambda first, step: map_tasks(
            first,
            step,
            room,
            wanted,
            sources,
            emission,
            np.uint64(seed),
            batches // groups,
            rounds,
            rays,
            Walkers(
                rays_in(room),
                new_arrivals(room.receivers),
                new_books(bands),
                new_path(bands, quantities, receivers),
                np.empty(WIDTH),
                np.empty(WIDTH, np.int64),
                np.empty(bands),
            ),
            every,
            out_lost,
            out_lost_ray,
        ),
        len(sources) * groups,
    )
