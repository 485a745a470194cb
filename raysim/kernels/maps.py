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
from numpy.typing import NDArray

from raysim.kernels.abreast import Rays
from raysim.kernels.boundary import Boundary
from raysim.kernels.compiled import compiled, inlined, released
from raysim.kernels.count import Arrivals, find_arrivals, new_arrivals
from raysim.kernels.emission import Emission
from raysim.kernels.lanes import WIDTH, how_many, lowest
from raysim.kernels.nearest import nearest_of_sixteen
from raysim.kernels.ray import Room, pass_on, survivors
from raysim.kernels.threads import share_out
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec, column, dot, row, sub
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
    """What is kept of WIDTH rays and their ways.

    patch : (LONGEST, WIDTH) patches met; inverse : (LONGEST, bands, WIDTH) 1 / (1 - a) there
    held : (bands, WIDTH) energy, air and chance included, as the books have it
    source : (3,) where all started
    """

    patch: NDArray[np.int64]
    inverse: NDArray[np.float64]
    held: NDArray[np.float64]
    source: NDArray[np.float64]


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
def energy_now(boundary: Boundary, rays: Rays, b: int, lane: int) -> float:
    """Energy of a ray in one band, air left out, weighed by the chance of its decisions."""
    c = boundary.band_class[b]
    carried = rays.energy[b, lane] * rays.energy_of[lane, b, 0]
    return carried * rays.chance[c, lane] * rays.chance_of[lane, c, 0]


@inlined
def add_arrivals(
    room: Room,
    offset: NDArray[np.float64],
    ends: NDArray[np.float64],
    weights: NDArray[np.float64],
    arrivals: Arrivals,
    count: int,
    path: Path,
    rays: Rays,
    out: Mapped,
) -> None:
    """Add what segments bring to the last patch and to the slopes of all patches of their paths."""
    plan, boundary = room.plan, room.boundary
    for a in range(count):
        lane, r, length = arrivals.lane[a], arrivals.receiver[a], arrivals.length[a]
        late, order = max(0.0, length - offset[r]) / plan.speed, rays.order[lane]
        k = int(late / plan.bin_s)
        if order == 0 or k >= weights.shape[3]:
            continue
        w = window_of(late, ends)
        for b in range(len(rays.energy)):
            energy = arrivals.weight[a] * energy_now(boundary, rays, b, lane)
            energy *= exp(-plan.attenuation[b] * length)
            out.arriving[path.patch[order - 1, lane], r, w, b] += energy
            for q in range(len(weights)):
                change = energy * weights[q, r, b, k]
                for i in range(order):
                    out.slope[path.patch[i, lane], q, r, b] -= change * path.inverse[i, b, lane]


@inlined
def enter(out: Mapped, entry: int, path: Path, gone: int) -> None:
    """Add what the rays of a pattern hold to an entry of the books."""
    while gone != 0:
        lane = lowest(gone)
        gone &= gone - 1
        for b in range(len(path.held)):
            out.books[entry, b] += path.held[b, lane]


@inlined
def become(room: Room, rays: Rays, left: int, entry: int, path: Path, out: Mapped) -> None:
    """Enter the difference between what the rays of a pattern held and what they carry now."""
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        length = rays.before[lane] + rays.since[lane]
        for b in range(len(path.held)):
            now = energy_now(room.boundary, rays, b, lane)
            now *= exp(-room.plan.attenuation[b] * length)
            out.books[entry, b] += path.held[b, lane] - now
            path.held[b, lane] = now


@inlined
def fall(
    room: Room,
    patches: Patches,
    ends: NDArray[np.float64],
    rays: Rays,
    left: int,
    path: Path,
    out: Mapped,
) -> None:
    """Add what the rays of a pattern bring to the patches that they meet."""
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        o, order = column(rays.o, lane), rays.order[lane]
        patch = patch_at(patches, room.tree.facet[rays.triangle[lane]], o)
        away = sub(o, Vec(path.source[0], path.source[1], path.source[2]))
        late = rays.before[lane] + rays.since[lane] - sqrt(dot(away, away))
        w = window_of(late / room.plan.speed, ends)
        path.patch[order, lane] = patch
        for b in range(len(path.held)):
            out.incident[patch, w, b] += path.held[b, lane]
            path.inverse[order, b, lane] = rays.energy[b, lane] * rays.energy_of[lane, b, 0]


@inlined
def absorb(rays: Rays, left: int, path: Path, out: Mapped) -> None:
    """Enter what a reflection took; `path.inverse` holds the energy before, then 1/(1 - a)."""
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        inverse = path.inverse[rays.order[lane]]
        for b in range(len(path.held)):
            arrived, after = inverse[b, lane], rays.energy[b, lane] * rays.energy_of[lane, b, 0]
            inverse[b, lane] = arrived / after if after > 0.0 else 0.0
            absorbed = path.held[b, lane] * (1.0 - after / arrived) if arrived > 0.0 else 0.0
            out.books[ABSORBED, b] += absorbed
            path.held[b, lane] -= absorbed


@inlined
def at_the_end(room: Room, rays: Rays) -> int:
    """Pattern of the rays that have travelled far enough, or met as many patches as are kept."""
    ended = too_long(room.plan, rays)
    for lane in range(WIDTH):
        if rays.order[lane] == LONGEST:
            ended |= 1 << lane
    return ended


@released
def map_tasks(
    first: int,
    step: int,
    room: Room,
    offset: NDArray[np.float64],
    sources: NDArray[np.float64],
    emission: Emission,
    patches: Patches,
    ends: NDArray[np.float64],
    weights: NDArray[np.float64],
    seed: int,
    batches_a_group: int,
    round_number: int,
    number: int,
    rays: Rays,
    arrivals: Arrivals,
    path: Path,
    every: Mapped,
    out_lost: NDArray[np.int64],
    out_lost_ray: NDArray[np.float64],
) -> None:
    """As `map_rays`, of groups and sources counted as one the tasks first, first + step ...

    Follows rays as `walk.trace_tasks` does; the books balance band by band.
    """
    heroes, groups = len(rays.chance) * rays.variants, out_lost.shape[1]
    for task in range(first, len(sources) * groups, step):
        source, group = task // groups, task % groups
        path.source[:] = sources[source]
        lost = Lost(out_lost[source, group : group + 1], out_lost_ray[source, group])
        out = Mapped(
            every.incident[source, group],
            every.arriving[source, group],
            every.slope[source, group],
            every.books[source, group],
        )
        for batch in range(group * batches_a_group, (group + 1) * batches_a_group):
            portion = branch(branch(branch(np.uint64(seed), source), batch), round_number)
            first_hero = int(uniform(portion, 2) * heroes)
            alive, specular, known, started = 0, 0, 0, np.int64(0)
            while True:
                begun = fill_up(
                    sources, emission, source, portion, first_hero, started, number, rays, alive
                )
                started += how_many(begun)
                for lane in range(WIDTH):
                    if begun >> lane & 1:
                        path.held[:, lane] = rays.energy[:, lane]
                enter(out, EMITTED, path, begun)
                alive, specular, known = alive | begun, specular | begun, known | begun
                if alive == 0:
                    break
                before = alive
                nearest_of_sixteen(room.tree, rays, alive)
                alive = inside(rays, alive, lost)
                enter(out, LOST, path, before & ~alive)
                count = find_arrivals(room, rays, alive, specular, known, arrivals)
                add_arrivals(
                    room, offset[source], ends, weights[source], arrivals, count, path, rays, out
                )
                advance(rays)
                become(room, rays, alive, AIR, path, out)
                ended = at_the_end(room, rays) & alive
                enter(out, LEFT, path, ended)
                alive &= ~ended
                fall(room, patches, ends, rays, alive, path, out)
                diffuse = pass_on(room, rays, alive)
                absorb(rays, alive, path, out)
                specular &= ~diffuse
                known = still_known(room.tree, rays, alive & specular, known)
                go_on(rays, diffuse)
                stay = survivors(room.boundary, rays, alive)
                enter(out, BY_CHANCE, path, alive & ~stay)
                alive = stay
                become(room, rays, alive, BY_CHANCE, path, out)


def map_rays(
    room: Room,
    offset: NDArray[np.float64],
    sources: NDArray[np.float64],
    emission: Emission,
    patches: Patches,
    ends: NDArray[np.float64],
    weights: NDArray[np.float64],
    seed: int,
    batches: int,
    round_number: int,
    rays: int,
    every: Mapped,
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
    every : Mapped
        Of shapes (sources, groups, ...).
    out_lost : (sources, groups); out_lost_ray : (sources, groups, 6)
    """
    groups, bands = out_lost.shape[1], len(room.plan.attenuation)
    share_out(
        lambda first, step: map_tasks(
            first,
            step,
            room,
            offset,
            sources,
            emission,
            patches,
            ends,
            weights,
            np.uint64(seed),
            batches // groups,
            round_number,
            rays,
            rays_in(room),
            new_arrivals(room.receivers),
            Path(
                np.empty((LONGEST, WIDTH), np.int64),
                np.empty((LONGEST, bands, WIDTH)),
                np.empty((bands, WIDTH)),
                np.empty(3),
            ),
            every,
            out_lost,
            out_lost_ray,
        ),
        len(sources) * groups,
    )
