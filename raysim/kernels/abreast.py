"""Sixteen rays abreast: each takes its next step in the same operations as the others."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import inlined
from raysim.kernels.lanes import WIDTH, load, store
from raysim.kernels.memory import all_aligned
from raysim.kernels.tree import NOTHING, STACK
from raysim.kernels.uniform import GOLDEN, counter
from raysim.kernels.vec import Vec, set_column

MIRRORS = 6  # reflections up to which a mirrored path is known by its facets
DRAWS = 4  # random numbers set aside for each reflection
FIRST_DRAW = 2  # draws 0 and 1 of a round's stream shift its start directions
STRIDE = np.uint64((int(GOLDEN) * DRAWS) % 2**64)


class Rays(NamedTuple):
    """What WIDTH rays carry; the last axis of each array is theirs.

    What all variants share is kept apart from what covers have changed, so that only a hit on a
    covered point costs more with more variants.

    o, d : (3, WIDTH) origin of the present segment, m, and direction
    t, normal, triangle : its length, m, and what it meets
    before, since : m, path up to the last diffusing point (0 while all reflections were
        mirrored), and from there or from the source to the origin
    order : number of reflections
    facet : the one that the ray leaves
    hero_class, hero_variant : by whose scattering the ray decides
    stream, counter : its random numbers, and where those of the next reflection stand
    energy : (bands, WIDTH), shared; energy_of : (WIDTH, bands, places), factor of each variant
    chance : (classes, WIDTH), shared; chance_of : (WIDTH, classes, places), factor of each
        variant: together the probability of the decisions over the mean of all variants and
        classes
    at_start : (places,) 1 for each variant, then 0 up to a multiple of WIDTH places
    chance_sum : (classes, WIDTH) of chance_of over variants
    peak : (bands, WIDTH) largest energy_of * chance_of of any variant
    u, cosine : (WIDTH,) random number of the decision, cosine of the angle of incidence
    mirrors : (MIRRORS, WIDTH) facets a mirrored path has met
    path : (WIDTH,) key of all facets that a mirrored path has met
    sampled : (WIDTH,) number of times at which energy was taken
    over : (covers,) those that lie over the point of one hit
    kept, odds : (bands,), (classes,) of one hit what all variants share: energy, probability
    variants : number of them
    near : (4, 3, WIDTH) origin, direction, its inverse, and origin over it in single precision
    place : (WIDTH,) of the pane that each ray meets first, as far as it has been looked for
    least, most, rival : (WIDTH,) m, between what its distance is, and from where on another may be
    depth : (WIDTH,) of each stack; stack, reach : (WIDTH, STACK) of the tree
    """

    o: NDArray[np.float64]
    d: NDArray[np.float64]
    t: NDArray[np.float64]
    normal: NDArray[np.float64]
    triangle: NDArray[np.int32]
    before: NDArray[np.float64]
    since: NDArray[np.float64]
    order: NDArray[np.int32]
    facet: NDArray[np.int32]
    hero_class: NDArray[np.int32]
    hero_variant: NDArray[np.int64]
    stream: NDArray[np.uint64]
    counter: NDArray[np.uint64]
    energy: NDArray[np.float64]
    energy_of: NDArray[np.float64]
    chance: NDArray[np.float64]
    chance_of: NDArray[np.float64]
    at_start: NDArray[np.float64]
    chance_sum: NDArray[np.float64]
    peak: NDArray[np.float64]
    u: NDArray[np.float64]
    cosine: NDArray[np.float64]
    mirrors: NDArray[np.int32]
    path: NDArray[np.uint64]
    sampled: NDArray[np.int64]
    over: NDArray[np.int64]
    kept: NDArray[np.float64]
    odds: NDArray[np.float64]
    variants: int
    near: NDArray[np.float32]
    place: NDArray[np.int32]
    least: NDArray[np.float32]
    most: NDArray[np.float32]
    rival: NDArray[np.float32]
    depth: NDArray[np.int64]
    stack: NDArray[np.int32]
    reach: NDArray[np.float64]


def new_rays(bands: int, classes: int, variants: int, covers: int) -> Rays:
    """Allocate WIDTH rays, none of them alive."""
    ahead = np.zeros((3, WIDTH))
    ahead[0] = 1.0
    against = -ahead
    at_start = np.zeros(-(-variants // WIDTH) * WIDTH)
    at_start[:variants] = 1.0
    rays = Rays(
        np.zeros((3, WIDTH)),
        ahead,
        np.zeros(WIDTH),
        against,
        np.zeros(WIDTH, np.int32),
        np.zeros(WIDTH),
        np.zeros(WIDTH),
        np.zeros(WIDTH, np.int32),
        np.zeros(WIDTH, np.int32),
        np.zeros(WIDTH, np.int32),
        np.zeros(WIDTH, np.int64),
        np.zeros(WIDTH, np.uint64),
        np.zeros(WIDTH, np.uint64),
        np.ones((bands, WIDTH)),
        np.ones((WIDTH, bands, len(at_start))),
        np.ones((classes, WIDTH)),
        np.ones((WIDTH, classes, len(at_start))),
        at_start,
        np.ones((classes, WIDTH)),
        np.ones((bands, WIDTH)),
        np.ones(WIDTH),
        np.ones(WIDTH),
        np.empty((MIRRORS, WIDTH), np.int32),
        np.zeros(WIDTH, np.uint64),
        np.zeros(WIDTH, np.int64),
        np.empty(covers, np.int64),
        np.empty(bands),
        np.empty(classes),
        variants,
        np.zeros((4, 3, WIDTH), np.float32),
        np.zeros(WIDTH, np.int32),
        np.zeros(WIDTH, np.float32),
        np.zeros(WIDTH, np.float32),
        np.zeros(WIDTH, np.float32),
        np.zeros(WIDTH, np.int64),
        np.empty((WIDTH, STACK), np.int32),
        np.empty((WIDTH, STACK), np.float64),
    )
    return all_aligned(rays)


@inlined
def begin(rays: Rays, lane: int, o: Vec, d: Vec, hero: int, stream: np.uint64) -> None:
    """Let a ray start in a lane; `rays.energy` of it is the caller's.

    `hero` counts variants and, within one, classes.
    """
    set_column(rays.o, lane, o)
    set_column(rays.d, lane, d)
    rays.before[lane], rays.since[lane], rays.order[lane] = 0.0, 0.0, 0
    rays.facet[lane], rays.sampled[lane] = NOTHING, 0
    classes, bands, places = len(rays.chance), len(rays.energy), len(rays.at_start)
    rays.hero_class[lane], rays.hero_variant[lane] = hero % classes, hero // classes
    rays.stream[lane], rays.counter[lane] = stream, counter(stream, FIRST_DRAW)
    for c in range(classes):
        rays.chance[c, lane] = 1.0
        rays.chance_sum[c, lane] = rays.variants
    for b in range(bands):
        rays.peak[b, lane] = 1.0
    for v in range(0, places, WIDTH):
        present = load(rays.at_start, v)
        for c in range(classes):
            store(rays.chance_of, (lane * classes + c) * places + v, present)
        for b in range(bands):
            store(rays.energy_of, (lane * bands + b) * places + v, present)
