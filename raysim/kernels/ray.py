"""What a ray carries and what surfaces do to it.

One ray decides with the scattering of its hero class (bands of equal scattering are one class)
and carries every class with the balance-heuristic weight p_c / mean_j p_j, p_j the probability
of all decisions so far under class j (Veach and Guibas 1995; Wilkie et al. 2014). See
docs/theory/rays.md for the equations.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import compiled, inlined
from raysim.kernels.directions import lambert, mirrored
from raysim.kernels.tree import STACK
from raysim.kernels.uniform import uniform
from raysim.kernels.vec import Vec, dot

FAINT = 1e-3  # energy below which a ray survives by chance, its energy raised in return
NOT_LAYERED = -1
MIRRORS = 6  # reflections up to which a mirrored path is known by its facets


class Boundary(NamedTuple):
    """What surfaces do.

    reflectance : (surfaces, bands), 1 - absorption; not read where `layered` says otherwise
    layered : (surfaces,) int64, row of `by_angle`, or NOT_LAYERED
    by_angle : (rows, cosines, bands), 1 - absorption at evenly spaced cosines of incidence, 0 to 1
    scattering : (surfaces, classes)
    band_class : (bands,) int64, class of each band
    """

    reflectance: NDArray[np.float64]
    layered: NDArray[np.int64]
    by_angle: NDArray[np.float64]
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
    """Working space of one ray.

    stack, reach : (STACK,) of the tree
    energy : (bands,); ratio : (classes,) probability over that of the mean class
    mirrors : (MIRRORS,) facets a mirrored path has met
    """

    stack: NDArray[np.int32]
    reach: NDArray[np.float64]
    energy: NDArray[np.float64]
    ratio: NDArray[np.float64]
    mirrors: NDArray[np.int32]


@compiled
def new_scratch(boundary: Boundary) -> Scratch:
    """Allocate the working space of one ray."""
    return Scratch(
        np.empty(STACK, np.int32),
        np.empty(STACK, np.float64),
        np.empty(boundary.reflectance.shape[1], np.float64),
        np.empty(boundary.scattering.shape[1], np.float64),
        np.empty(MIRRORS, np.int32),
    )


@inlined
def reflect(boundary: Boundary, surface: int, cosine: float, energy: NDArray[np.float64]) -> None:
    """Multiply energy : (bands,) by what the surface reflects at an angle of incidence."""
    layered = boundary.layered[surface]
    if layered == NOT_LAYERED:
        for b in range(len(energy)):
            energy[b] *= boundary.reflectance[surface, b]
        return
    table = boundary.by_angle[layered]
    place = min(1.0, max(0.0, cosine)) * (len(table) - 1)
    i = min(int(place), len(table) - 2)
    for b in range(len(energy)):
        energy[b] *= table[i, b] + (place - i) * (table[i + 1, b] - table[i, b])


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
    reflect(boundary, surface, -dot(d, n), state.energy)
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
def reflect_each(
    boundary: Boundary,
    surface: NDArray[np.int64],
    cosine: NDArray[np.float64],
    energy: NDArray[np.float64],
) -> None:
    """Multiply energy : (bands,) by what each surface of a path reflects, at its cosine."""
    for i in range(len(surface)):
        reflect(boundary, surface[i], cosine[i], energy)
