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

from raysim.kernels.boundary import Boundary, Cover, covering, material_in, reflect
from raysim.kernels.compiled import compiled, inlined, uncounted
from raysim.kernels.directions import lambert, mirrored
from raysim.kernels.tree import STACK, Tree
from raysim.kernels.uniform import uniform
from raysim.kernels.vec import Vec, dot, row

FAINT = 1e-3  # energy below which a ray survives by chance, its energy raised in return
MIRRORS = 6  # reflections up to which a mirrored path is known by its facets


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
    """

    image_order: int
    speed: float
    attenuation: NDArray[np.float64]
    longest: float
    bin_s: float


class Room(NamedTuple):
    """What rays walk in, and what they are asked."""

    tree: Tree
    boundary: Boundary
    cover: Cover
    receivers: Receivers
    plan: Plan


class Scratch(NamedTuple):
    """Working space of one ray.

    What all variants share is kept apart from what covers have changed, so that only a hit on a
    covered point costs more with more variants.

    stack, reach : (STACK,) of the tree
    energy : (bands,), shared; energy_of : (variants, bands), factor of each
    chance : (classes,), shared; chance_of : (variants, classes), factor of each: together the
        probability of the decisions over the mean of all variants and classes
    chance_sum : (classes,) of chance_of over variants
    peak : (bands,) largest energy_of * chance_of of any variant
    mirrors : (MIRRORS,) facets a mirrored path has met
    over : (covers,) those that lie over the point of the last hit
    """

    stack: NDArray[np.int32]
    reach: NDArray[np.float64]
    energy: NDArray[np.float64]
    energy_of: NDArray[np.float64]
    chance: NDArray[np.float64]
    chance_of: NDArray[np.float64]
    chance_sum: NDArray[np.float64]
    peak: NDArray[np.float64]
    mirrors: NDArray[np.int32]
    over: NDArray[np.int64]


@compiled
def new_scratch(room: Room) -> Scratch:
    """Allocate the working space of one ray."""
    boundary, cover = room.boundary, room.cover
    bands, classes = boundary.reflectance.shape[1], boundary.scattering.shape[1]
    variants = cover.present.shape[1]
    return Scratch(
        np.empty(STACK, np.int32),
        np.empty(STACK, np.float64),
        np.empty(bands, np.float64),
        np.empty((variants, bands), np.float64),
        np.empty(classes, np.float64),
        np.empty((variants, classes), np.float64),
        np.empty(classes, np.float64),
        np.empty(bands, np.float64),
        np.empty(MIRRORS, np.int32),
        np.empty(len(cover.material), np.int64),
    )


@inlined
def start(state: Scratch) -> None:
    """Make all variants and classes equal; `state.energy` is the caller's."""
    state.energy_of[:] = 1.0
    state.chance[:] = 1.0
    state.chance_of[:] = 1.0
    state.chance_sum[:] = len(state.chance_of)
    state.peak[:] = 1.0


@inlined
def choose(boundary: Boundary, material: int, diffuse: bool, chance: NDArray[np.float64]) -> None:
    """Multiply chance : (classes,) by the probability of the decision on a material."""
    for c in range(len(chance)):
        s = boundary.scattering[material, c]
        chance[c] *= s if diffuse else 1.0 - s


@uncounted
def decide_under_covers(
    boundary: Boundary,
    cover: Cover,
    facet: int,
    base: int,
    p: Vec,
    cosine: float,
    hero: int,
    u: float,
    state: Scratch,
) -> bool:
    """Whether the hero scatters at a point that covers may lie over; all variants are weighed."""
    count = covering(cover, facet, p, state.over)
    classes = len(state.chance)
    own = material_in(cover, state.over, count, hero // classes, base)
    diffuse = u < boundary.scattering[own, hero % classes]
    if count == 0:
        choose(boundary, base, diffuse, state.chance)
        reflect(boundary, base, cosine, state.energy)
        return diffuse
    state.chance_sum[:] = 0.0
    state.peak[:] = 0.0
    for v in range(len(state.energy_of)):
        material = material_in(cover, state.over, count, v, base)
        choose(boundary, material, diffuse, state.chance_of[v])
        reflect(boundary, material, cosine, state.energy_of[v])
        for c in range(classes):
            state.chance_sum[c] += state.chance_of[v, c]
        for b in range(len(state.energy)):
            own_share = state.energy_of[v, b] * state.chance_of[v, boundary.band_class[b]]
            state.peak[b] = max(state.peak[b], own_share)
    return diffuse


@inlined
def pass_on(
    room: Room,
    k: int,
    p: Vec,
    d: Vec,
    hero: int,
    stream: np.uint64,
    draw: int,
    state: Scratch,
) -> tuple[bool, Vec]:
    """Reflect at p on triangle k: the hero chooses specular or diffuse, all others are weighed.

    `hero` counts variants and, within one, classes. Gives (diffuse, direction).
    """
    boundary, cover, facet = room.boundary, room.cover, room.tree.facet[k]
    n, base = row(room.tree.normal, k), boundary.material[room.tree.surface[k]]
    cosine, u = -dot(d, n), uniform(stream, draw)
    classes = len(state.chance)
    if cover.first[facet] == cover.first[facet + 1]:
        diffuse = u < boundary.scattering[base, hero % classes]
        choose(boundary, base, diffuse, state.chance)
        reflect(boundary, base, cosine, state.energy)
    else:
        diffuse = decide_under_covers(boundary, cover, facet, base, p, cosine, hero, u, state)
    total = 0.0
    for c in range(classes):
        total += state.chance[c] * state.chance_sum[c]
    for c in range(classes):
        state.chance[c] *= classes * len(state.chance_of) / total
    if diffuse:
        return True, lambert(n, uniform(stream, draw + 1), uniform(stream, draw + 2))
    return False, mirrored(d, n)


@inlined
def survives(boundary: Boundary, stream: np.uint64, draw: int, state: Scratch) -> bool:
    """Russian roulette: a faint ray ends, or goes on at FAINT (expectation kept)."""
    loudest = 0.0
    for b in range(len(state.energy)):
        chance = state.chance[boundary.band_class[b]]
        loudest = max(loudest, state.energy[b] * chance * state.peak[b])
    if loudest >= FAINT:
        return True
    if uniform(stream, draw) * FAINT >= loudest:
        return False
    for b in range(len(state.energy)):
        state.energy[b] *= FAINT / loudest
    return True
