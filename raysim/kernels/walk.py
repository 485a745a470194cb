"""Rays through a room: find the next surface, count receivers on the way, reflect.

One ray decides with the scattering of its hero class (bands of equal scattering are one class)
and carries every class with the balance-heuristic weight p_c / mean_j p_j, p_j the probability
of all decisions so far under class j (Veach and Guibas 1995; Wilkie et al. 2014). See
docs/theory/rays.md for the equations.
"""

from __future__ import annotations

from math import exp, sqrt
from typing import NamedTuple

import numpy as np
from numba import prange
from numpy.typing import NDArray

from raysim.kernels.compiled import compiled, compiled_parallel, inlined
from raysim.kernels.directions import lambert, mirrored, on_sphere, start_direction
from raysim.kernels.tree import NOTHING, STACK, Tree, nearest
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec, along, dot, row, sub

FAINT = 1e-3  # energy below which a ray survives by chance, its energy raised in return
DRAWS = 4  # random numbers set aside for each reflection
FIRST_DRAW = 2  # draws 0 and 1 of a round's stream shift its start directions


class Boundary(NamedTuple):
    """What surfaces do.

    reflectance : (surfaces, bands), 1 - absorption
    scattering : (surfaces, classes)
    band_class : (bands,) int64, class of each band
    """

    reflectance: NDArray[np.float64]
    scattering: NDArray[np.float64]
    band_class: NDArray[np.int64]


class Receivers(NamedTuple):
    """Counting spheres: position (r, 3) m, radius (r,) m."""

    position: NDArray[np.float64]
    radius: NDArray[np.float64]


class Plan(NamedTuple):
    """What one portion of rays does.

    image_order : all-specular paths up to this order belong to the images
    speed : of sound, m/s
    attenuation : (bands,) of air, 1/m
    longest : m, a ray ends when it has travelled this far
    bin_s : width of a time bin
    """

    image_order: int
    speed: float
    attenuation: NDArray[np.float64]
    longest: float
    bin_s: float


class Scratch(NamedTuple):
    """Working space of one ray: tree stack, energy by band, probability ratio by class."""

    stack: NDArray[np.int32]
    reach: NDArray[np.float64]
    energy: NDArray[np.float64]
    ratio: NDArray[np.float64]


class Lost(NamedTuple):
    """Where rays left the room: number (1,), origin and direction of the first (6,)."""

    number: NDArray[np.int64]
    ray: NDArray[np.float64]


@compiled
def new_scratch(boundary: Boundary) -> Scratch:
    """Allocate the working space of one ray."""
    return Scratch(
        np.empty(STACK, np.int32),
        np.empty(STACK, np.float64),
        np.empty(boundary.reflectance.shape[1], np.float64),
        np.empty(boundary.scattering.shape[1], np.float64),
    )


@inlined
def pass_on(
    boundary: Boundary,
    surface: int,
    n: Vec,
    d: Vec,
    hero: int,
    stream: np.uint64,
    draw: int,
    state: Scratch,
) -> tuple[bool, Vec]:
    """Reflect: choose specular or diffuse by the hero, weigh all bands; (diffuse, direction)."""
    scattering = boundary.scattering
    diffuse = uniform(stream, draw) < scattering[surface, hero]
    total = 0.0
    for c in range(len(state.ratio)):
        s = scattering[surface, c]
        state.ratio[c] *= s if diffuse else 1.0 - s
        total += state.ratio[c]
    for c in range(len(state.ratio)):
        state.ratio[c] *= len(state.ratio) / total
    for b in range(len(state.energy)):
        state.energy[b] *= boundary.reflectance[surface, b]
    if diffuse:
        return True, lambert(n, uniform(stream, draw + 1), uniform(stream, draw + 2))
    return False, mirrored(d, n)


@inlined
def survives(boundary: Boundary, stream: np.uint64, draw: int, state: Scratch) -> bool:
    """Russian roulette: a faint ray ends, or goes on at FAINT (expectation kept)."""
    loudest = 0.0
    for b in range(len(state.energy)):
        loudest = max(loudest, state.energy[b] * state.ratio[boundary.band_class[b]])
    if loudest >= FAINT:
        return True
    if uniform(stream, draw) * FAINT >= loudest:
        return False
    for b in range(len(state.energy)):
        state.energy[b] *= FAINT / loudest
    return True


@compiled
def count(
    plan: Plan,
    boundary: Boundary,
    receivers: Receivers,
    offset: NDArray[np.float64],
    o: Vec,
    d: Vec,
    t: float,
    before: float,
    since: float,
    specular: bool,
    state: Scratch,
    out: NDArray[np.float64],
) -> None:
    """Add a segment of length t to the receivers it passes.

    Chord length over sphere volume estimates fluence; the arrival is that of a wave from the
    last diffusing point (or the source), `before` + its distance to the sphere's centre, minus
    `offset` (r,) of each receiver. Spherical waves from the source average to
    (1/d^2)(1 + x^2/5 + 3 x^4/35), x = radius/d, over the sphere: divided out. Waves from a
    Lambert point are harmonic functions and average to their value at the centre.
    """
    for r in range(len(receivers.radius)):
        to_centre = sub(row(receivers.position, r), o)
        foot = dot(to_centre, d)
        if foot <= 0.0 or foot >= t:
            continue
        radius = receivers.radius[r]
        miss2 = dot(to_centre, to_centre) - foot * foot
        if miss2 >= radius * radius:
            continue
        distance2 = (since + foot) ** 2 + miss2
        length = before + sqrt(distance2)
        k = int(max(0.0, length - offset[r]) / (plan.speed * plan.bin_s))
        if k >= out.shape[1]:
            continue
        weight = 600.0 * sqrt(radius * radius - miss2) / radius**3
        if specular:
            x2 = radius * radius / distance2
            weight /= 1.0 + x2 / 5 + 3 * x2 * x2 / 35
        for b in range(len(state.energy)):
            balance = state.ratio[boundary.band_class[b]]
            out[r, k, b] += weight * balance * state.energy[b] * exp(-plan.attenuation[b] * length)


@compiled
def trace_ray(
    tree: Tree,
    boundary: Boundary,
    receivers: Receivers,
    offset: NDArray[np.float64],
    plan: Plan,
    source: Vec,
    d: Vec,
    hero: int,
    stream: np.uint64,
    state: Scratch,
    out: NDArray[np.float64],
    lost: Lost,
) -> int:
    """Follow one ray to its end; the number of reflections.

    `before` is the path up to the last diffusing point, `since` the path after it.
    """
    state.energy[:] = 1.0
    state.ratio[:] = 1.0
    o, facet = source, NOTHING
    before, since = 0.0, 0.0
    specular, order = True, 0
    while True:
        k, t = nearest(tree, o, d, facet, state.stack, state.reach)
        if k == NOTHING or dot(d, row(tree.normal, k)) > 0.0:
            if lost.number[0] == 0:
                lost.ray[0], lost.ray[1], lost.ray[2] = o.x, o.y, o.z
                lost.ray[3], lost.ray[4], lost.ray[5] = d.x, d.y, d.z
            lost.number[0] += 1
            return order
        if not specular or order > plan.image_order:
            count(plan, boundary, receivers, offset, o, d, t, before, since, specular, state, out)
        since += t
        if before + since > plan.longest:
            return order
        o, facet = along(o, t, d), tree.facet[k]
        draw = FIRST_DRAW + DRAWS * order
        order += 1
        n = row(tree.normal, k)
        diffuse, d = pass_on(boundary, tree.surface[k], n, d, hero, stream, draw, state)
        if diffuse:
            specular = False
            before, since = before + since, 0.0
        if not survives(boundary, stream, draw + 3, state):
            return order


@compiled_parallel
def trace(
    tree: Tree,
    boundary: Boundary,
    receivers: Receivers,
    offset: NDArray[np.float64],
    plan: Plan,
    sources: NDArray[np.float64],
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
    out : (sources, batches, receivers, time, bands)
        Sum over rays; divide by `rays` for squared pressure re the 10 m free field.
    out_reflections, out_lost : (sources, batches); out_lost_ray : (sources, batches, 6)
    """
    for task in prange(len(sources) * batches):
        source, batch = task // batches, task % batches
        state = new_scratch(boundary)
        portion = branch(branch(branch(np.uint64(seed), source), batch), round_number)
        classes = boundary.scattering.shape[1]
        first_hero = int(uniform(portion, 2) * classes)
        lost = Lost(out_lost[source, batch : batch + 1], out_lost_ray[source, batch])
        reflections = 0
        for i in range(rays):
            reflections += trace_ray(
                tree,
                boundary,
                receivers,
                offset[source],
                plan,
                row(sources, source),
                start_direction(portion, i),
                (i + first_hero) % classes,
                branch(portion, i),
                state,
                out[source, batch],
                lost,
            )
        out_reflections[source, batch] += reflections


@compiled
def follow_energy(
    tree: Tree,
    boundary: Boundary,
    plan: Plan,
    source: Vec,
    d: Vec,
    hero: int,
    stream: np.uint64,
    state: Scratch,
    out: NDArray[np.float64],
) -> None:
    """Add one ray's energy at the times k * bin_s to out : (time, bands)."""
    state.energy[:] = 1.0
    state.ratio[:] = 1.0
    o, facet = source, NOTHING
    travelled, k, draw = 0.0, 0, FIRST_DRAW
    step = plan.bin_s * plan.speed
    while True:
        hit, t = nearest(tree, o, d, facet, state.stack, state.reach)
        if hit == NOTHING:
            return
        while k * step < travelled + t:
            for b in range(len(state.energy)):
                balance = state.ratio[boundary.band_class[b]]
                out[k, b] += balance * state.energy[b] * exp(-plan.attenuation[b] * k * step)
            k += 1
            if k == out.shape[0]:
                return
        travelled += t
        o, facet = along(o, t, d), tree.facet[hit]
        n = row(tree.normal, hit)
        _, d = pass_on(boundary, tree.surface[hit], n, d, hero, stream, draw, state)
        if not survives(boundary, stream, draw + 3, state):
            return
        draw += DRAWS


@compiled_parallel
def energy_left(
    tree: Tree,
    boundary: Boundary,
    plan: Plan,
    sources: NDArray[np.float64],
    seed: int,
    rays: int,
    out: NDArray[np.float64],
) -> None:
    """Energy in the room at the times k * bin_s, out : (sources, time, bands), `rays` at k = 0."""
    for source in prange(len(sources)):
        state = new_scratch(boundary)
        portion = branch(branch(np.uint64(seed), 1_000_000 + source), 0)
        for i in range(rays):
            follow_energy(
                tree,
                boundary,
                plan,
                row(sources, source),
                start_direction(portion, i),
                i % boundary.scattering.shape[1],
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
