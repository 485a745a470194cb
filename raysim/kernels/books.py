"""Where the energy of sixteen rays stays, band by band.

All that is emitted is absorbed, taken by air, left when rays end, lost where they leave the room,
or taken by chance; see docs/theory/maps.md.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.abreast import Rays
from raysim.kernels.compiled import inlined
from raysim.kernels.exponential import exponential
from raysim.kernels.lanes import WIDTH, choose, load, spread, store, truths
from raysim.kernels.ray import Room

EMITTED, ABSORBED, AIR, LEFT, LOST, BY_CHANCE = range(6)


class Books(NamedTuple):
    """What rays hold and where the rest went; the last axis of each array is the rays'.

    held : (bands, WIDTH) energy, air and chance included, 0 where no ray is alive
    clear : (bands, WIDTH) share that air has left
    weight : (bands, WIDTH) share that air and chance have left before the present reflection
    energy : (bands, WIDTH) the rest of `held` then
    fallen, inverse : (bands, WIDTH) what the present surface is met with, and its 1 / (1 - a)
    sums : (6, bands, WIDTH) of each entry
    """

    held: NDArray[np.float64]
    clear: NDArray[np.float64]
    weight: NDArray[np.float64]
    energy: NDArray[np.float64]
    fallen: NDArray[np.float64]
    inverse: NDArray[np.float64]
    sums: NDArray[np.float64]


def new_books(bands: int) -> Books:
    """Allocate empty books."""
    return Books(
        np.zeros((bands, WIDTH)),
        np.zeros((bands, WIDTH)),
        np.zeros((bands, WIDTH)),
        np.zeros((bands, WIDTH)),
        np.zeros((bands, WIDTH)),
        np.zeros((bands, WIDTH)),
        np.zeros((6, bands, WIDTH)),
    )


@inlined
def enter(books: Books, entry: int, band: int, energy):  # type: ignore[no-untyped-def]
    """Add energy of WIDTH rays to an entry."""
    place = (entry * len(books.held) + band) * WIDTH
    store(books.sums, place, load(books.sums, place) + energy)


@inlined
def enter_emitted(books: Books, rays: Rays, begun: int) -> None:
    """Let the rays of a pattern hold what they start with."""
    if begun == 0:
        return
    new = truths(begun)
    for b in range(len(books.held)):
        energy = choose(new, load(rays.energy, b * WIDTH), spread(0.0))
        enter(books, EMITTED, b, energy)
        store(books.held, b * WIDTH, load(books.held, b * WIDTH) + energy)
        store(books.clear, b * WIDTH, choose(new, spread(1.0), load(books.clear, b * WIDTH)))


@inlined
def enter_rest(books: Books, entry: int, gone: int) -> None:
    """Take what the rays of a pattern still hold, for they end."""
    if gone == 0:
        return
    for b in range(len(books.held)):
        held = load(books.held, b * WIDTH)
        rest = choose(truths(gone), held, spread(0.0))
        enter(books, entry, b, rest)
        store(books.held, b * WIDTH, held - rest)


@inlined
def enter_air(books: Books, room: Room, rays: Rays, alive: int) -> None:
    """Enter what air has taken along the present segments."""
    t, walking = load(rays.t, 0), truths(alive)
    for b in range(len(books.held)):
        energy = load(rays.energy, b * WIDTH)
        clear = load(books.clear, b * WIDTH) * exponential(t * (0.0 - room.plan.attenuation[b]))
        weight = clear * load(rays.chance, room.boundary.band_class[b] * WIDTH)
        held = choose(walking, energy * weight, spread(0.0))
        enter(books, AIR, b, load(books.held, b * WIDTH) - held)
        store(books.clear, b * WIDTH, clear)
        store(books.weight, b * WIDTH, weight)
        store(books.energy, b * WIDTH, energy)
        store(books.held, b * WIDTH, held)


@inlined
def enter_absorbed(books: Books, rays: Rays, alive: int) -> None:
    """Enter what the present reflection has taken, chance as before it."""
    walking, nothing = truths(alive), spread(0.0)
    for b in range(len(books.held)):
        before, after = load(books.energy, b * WIDTH), load(rays.energy, b * WIDTH)
        fallen = load(books.held, b * WIDTH)
        held = choose(walking, after * load(books.weight, b * WIDTH), nothing)
        enter(books, ABSORBED, b, fallen - held)
        store(books.fallen, b * WIDTH, fallen)
        some = nothing < after
        inverse = before / choose(some, after, spread(1.0))
        store(books.inverse, b * WIDTH, choose(some, inverse, nothing))
        store(books.held, b * WIDTH, held)


@inlined
def enter_chance(books: Books, room: Room, rays: Rays, stay: int) -> None:
    """Enter what chance has taken: decisions, and the rays that do not stay."""
    staying = truths(stay)
    for b in range(len(books.held)):
        weight = load(books.clear, b * WIDTH)
        weight = weight * load(rays.chance, room.boundary.band_class[b] * WIDTH)
        held = choose(staying, load(rays.energy, b * WIDTH) * weight, spread(0.0))
        enter(books, BY_CHANCE, b, load(books.held, b * WIDTH) - held)
        store(books.held, b * WIDTH, held)


@inlined
def hand_over(books: Books, out: NDArray[np.float64]) -> None:
    """Add the sums over all rays to out : (6, bands), and begin anew."""
    for entry in range(len(books.sums)):
        for b in range(len(books.held)):
            for lane in range(WIDTH):
                out[entry, b] += books.sums[entry, b, lane]
                books.sums[entry, b, lane] = 0.0
