"""What a ray carries and what surfaces do to it, in every variant of the room at once.

One ray decides with the scattering of its hero, a variant and a class of bands (bands of equal
scattering are one class), and carries every variant and class with the balance-heuristic weight
p_c / mean_j p_j, p_j the probability of all decisions so far under j (Veach and Guibas 1995;
Wilkie et al. 2014). See docs/theory/rays.md for the equations.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.abreast import STRIDE, Rays
from raysim.kernels.boundary import Boundary, Cover, between, covering, material_in, rows_at
from raysim.kernels.compiled import inlined
from raysim.kernels.directions import lambert, mirrored
from raysim.kernels.lanes import (
    WIDTH,
    bits,
    choose,
    gather,
    greater,
    largest_of,
    load,
    lowest,
    spread,
    store,
    total_of,
    truths,
)
from raysim.kernels.tree import NOTHING, Tree
from raysim.kernels.uniform import ahead
from raysim.kernels.vec import Vec, column, dot, load_vec, store_vec

LEAST = 1e-3  # share of a ray, or probability, below which a bare surface's isn't shared
HUGE = 1e60  # factor of a variant at which what is shared takes it over
FAINT = 1e-2
NOTHING_EXACT = np.empty(0, np.uint64)


class Receivers(NamedTuple):
    """Counting spheres. For sound that a surface has spread they grow with its path.

    position : (r, 3) m
    radius : (r,) m, the smallest
    largest : (r,) m; no surface is nearer
    growth : radius over length of path, between the two
    """

    position: NDArray[np.float64]
    radius: NDArray[np.float64]
    largest: NDArray[np.float64]
    growth: float


class Plan(NamedTuple):
    """What one portion of rays does.

    image_order : all-specular paths up to this order belong to the images
    speed : of sound, m/s
    attenuation : (bands,) of air, 1/m
    longest : m, a ray ends when it has travelled this far
    bin_s : width of a time bin
    faint : energy below which a ray survives by chance, its energy raised in return
    """

    image_order: int
    speed: float
    attenuation: NDArray[np.float64]
    longest: float
    bin_s: float
    faint: float = FAINT


class Room(NamedTuple):
    """What rays walk in, and what they are asked.

    exact : sorted keys of mirrored paths that are known exactly, so that rays bring nothing
    """

    tree: Tree
    boundary: Boundary
    cover: Cover
    receivers: Receivers
    plan: Plan
    exact: NDArray[np.uint64] = NOTHING_EXACT


@inlined
def share_what_is_bare(boundary: Boundary, base: int, diffuse: bool, lane: int, rays: Rays) -> bool:
    """Give all variants what the bare surface does to a ray; whether that can be shared.

    It can't where it is next to nothing: then a cover would have to make it up by a huge factor.
    """
    low, high, share = rows_at(boundary, base, rays.cosine[lane])
    least = 1.0
    for b in range(len(rays.kept)):
        rays.kept[b] = between(boundary.reflectance, low, high, share, b)
        least = min(least, rays.kept[b])
    for c in range(len(rays.odds)):
        s = boundary.scattering[base, c]
        rays.odds[c] = s if diffuse else 1.0 - s
        least = min(least, rays.odds[c])
    is_shared = least > LEAST
    if not is_shared:
        rays.kept[:] = 1.0
        rays.odds[:] = 1.0
    for b in range(len(rays.kept)):
        rays.energy[b, lane] *= rays.kept[b]
    for c in range(len(rays.odds)):
        rays.chance[c, lane] *= rays.odds[c]
    return is_shared


@inlined
def differ(boundary: Boundary, material: int, diffuse: bool, v: int, lane: int, rays: Rays) -> bool:
    """Give variant v what its material does beyond what is shared; whether a factor is huge."""
    largest = 0.0
    for c in range(len(rays.odds)):
        s = boundary.scattering[material, c]
        rays.chance_of[lane, c, v] *= (s if diffuse else 1.0 - s) / rays.odds[c]
        largest = max(largest, rays.chance_of[lane, c, v])
    low, high, share = rows_at(boundary, material, rays.cosine[lane])
    for b in range(len(rays.kept)):
        r = between(boundary.reflectance, low, high, share, b)
        rays.energy_of[lane, b, v] *= r / rays.kept[b]
        largest = max(largest, rays.energy_of[lane, b, v])
    return largest > HUGE


@inlined
def level_out(shared: NDArray[np.float64], lane: int, factor: NDArray[np.float64]) -> None:
    """Let shared : (n, WIDTH) take over the largest factor : (n, places) of any variant."""
    for i in range(len(factor)):
        largest = 0.0
        for v in range(factor.shape[1]):
            largest = max(largest, factor[i, v])
        if largest > 0.0:
            shared[i, lane] *= largest
            for v in range(factor.shape[1]):
                factor[i, v] /= largest


@inlined
def weigh_variants(boundary: Boundary, rays: Rays, lane: int) -> None:
    """Sum and largest of what variants carry."""
    classes, bands, places = len(rays.chance), len(rays.energy), len(rays.at_start)
    for c in range(classes):
        total = spread(0.0)
        for v in range(0, places, WIDTH):
            total = total + load(rays.chance_of, (lane * classes + c) * places + v)
        rays.chance_sum[c, lane] = total_of(total)
    for b in range(bands):
        c, loudest = boundary.band_class[b], spread(0.0)
        for v in range(0, places, WIDTH):
            chance = load(rays.chance_of, (lane * classes + c) * places + v)
            energy = load(rays.energy_of, (lane * bands + b) * places + v)
            loudest = greater(loudest, chance * energy)
        rays.peak[b, lane] = largest_of(loudest)


@inlined
def decide_under_covers(
    boundary: Boundary, cover: Cover, facet: int, base: int, p: Vec, lane: int, rays: Rays
) -> tuple[bool, bool]:
    """Whether covers lie over a point, and if so whether the hero scatters there.

    All variants share what the bare surface does; those that have a cover there differ.
    """
    count = covering(cover, facet, p, rays.over)
    if count == 0:
        return False, False
    own = material_in(cover, rays.over, count, rays.hero_variant[lane], base)
    diffuse = rays.u[lane] < boundary.scattering[own, rays.hero_class[lane]]
    is_shared, is_huge = share_what_is_bare(boundary, base, diffuse, lane, rays), False
    for v in range(rays.variants):
        material = material_in(cover, rays.over, count, v, base)
        if material != base or not is_shared:
            is_huge |= differ(boundary, material, diffuse, v, lane, rays)
    if is_huge:
        level_out(rays.energy, lane, rays.energy_of[lane])
        level_out(rays.chance, lane, rays.chance_of[lane])
    weigh_variants(boundary, rays, lane)
    return True, diffuse


@inlined
def look_under_covers(room: Room, rays: Rays, alive: int) -> tuple[int, int]:
    """Of the rays at `rays.o` those under covers, and those of them whose heroes scatter."""
    boundary, cover = room.boundary, room.cover
    facet, covered, diffuse = load(rays.facet, 0), 0, 0
    left = alive & bits(gather(cover.first, facet) != gather(cover.first, facet + np.int32(1)))
    while left != 0:
        lane = lowest(left)
        left &= left - 1
        f, p = rays.facet[lane], column(rays.o, lane)
        base = boundary.material[f]
        under, scatters = decide_under_covers(boundary, cover, f, base, p, lane, rays)
        covered |= int(under) << lane
        diffuse |= int(scatters) << lane
    return covered, diffuse


@inlined
def meet_surfaces(room, rays):  # type: ignore[no-untyped-def]
    """Note the facets that rays meet; the materials there, of a dead ray any."""
    tree, k = room.tree, load(rays.triangle, 0)
    k = choose(k != np.int32(NOTHING), k, spread(np.int32(0)))
    facet = gather(tree.facet, k)
    store(rays.facet, 0, facet)
    return gather(room.boundary.material, facet)


@inlined
def pass_on(room: Room, rays: Rays, alive: int) -> int:
    """Reflect at `rays.o`: heroes choose specular or diffuse, all others are weighed.

    Gives the pattern of diffuse reflections. Rays that are not alive go on unheard.
    """
    boundary = room.boundary
    d, n = load_vec(rays.d), load_vec(rays.normal)
    draws = load(rays.counter, 0)
    u, cosine = ahead(draws, 0), 0.0 - dot(d, n)
    material = meet_surfaces(room, rays)
    covered, scatters = 0, 0
    if len(room.cover.material) > 0:
        store(rays.u, 0, u)
        store(rays.cosine, 0, cosine)
        covered, scatters = look_under_covers(room, rays, alive)
    plain, row = truths(alive & ~covered), material * np.int32(len(rays.chance))
    hero = gather(boundary.scattering, row + load(rays.hero_class, 0))
    scatters |= bits((u < hero) & plain)
    diffuse, nothing, all_of_it = truths(scatters), spread(0.0), spread(1.0)
    total = nothing
    for c in range(len(rays.chance)):
        s = gather(boundary.scattering, row + np.int32(c))
        decided = choose(plain, choose(diffuse, s, 1.0 - s), all_of_it)
        chance = load(rays.chance, c * WIDTH) * decided
        store(rays.chance, c * WIDTH, chance)
        total = total + chance * load(rays.chance_sum, c * WIDTH)
    raised = float(len(rays.chance) * rays.variants) / total
    for c in range(len(rays.chance)):
        store(rays.chance, c * WIDTH, load(rays.chance, c * WIDTH) * raised)
    low, high, share = rows_at(boundary, material, cosine)
    bands, slanted = np.int32(len(rays.energy)), bits(nothing < share) != 0
    for b in range(len(rays.energy)):
        r = gather(boundary.reflectance, low * bands + np.int32(b))
        if slanted:
            r = r + share * (gather(boundary.reflectance, high * bands + np.int32(b)) - r)
        left = load(rays.energy, b * WIDTH) * choose(plain, r, all_of_it)
        store(rays.energy, b * WIDTH, left)
    straight, spread_out = mirrored(d, n), lambert(n, ahead(draws, 1), ahead(draws, 2))
    d = Vec(
        choose(diffuse, spread_out.x, straight.x),
        choose(diffuse, spread_out.y, straight.y),
        choose(diffuse, spread_out.z, straight.z),
    )
    store_vec(rays.d, d)
    return scatters


@inlined
def survivors(room: Room, rays: Rays, alive: int) -> int:
    """Russian roulette: a faint ray ends, or goes on at `faint` (expectation kept)."""
    boundary, limit = room.boundary, room.plan.faint
    draws = load(rays.counter, 0)
    store(rays.counter, 0, draws + STRIDE)
    loudest = spread(0.0)
    for b in range(len(rays.energy)):
        chance = load(rays.chance, boundary.band_class[b] * WIDTH)
        heard = load(rays.energy, b * WIDTH) * chance * load(rays.peak, b * WIDTH)
        loudest = greater(loudest, heard)
    faint = loudest < limit
    if bits(faint) & alive == 0:
        return alive
    stay = ahead(draws, 3) * limit < loudest
    raised = choose(faint, limit / greater(loudest, spread(1e-300)), spread(1.0))
    for b in range(len(rays.energy)):
        store(rays.energy, b * WIDTH, load(rays.energy, b * WIDTH) * raised)
    return alive & (bits(stay) | ~bits(faint))
