"""Where rays search for mirrored paths: most of them where earlier ones stayed bright.

Which mirrored paths leave most to chance is told by where little is absorbed, and that is in few
directions. How likely a path is found doesn't matter for what it brings, so rays may be sent
anywhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.directions import STEP_1, STEP_2
from raysim.kernels.uniform import branch, uniform

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
STREAM = 2_000_000  # number of the search among the streams of a seed
STRIPS, SECTORS = 64, 32  # cells of the sphere, of equal area
EVENLY = 0.25  # share of the rays that goes everywhere
FAR = 3.0  # mean lengths of rays, after which what is left of one counts


class Aim:
    """Directions of the rays that search from one source, told by how far earlier ones came.

    A ray that is dim after L m has dim^(l/L) left after l m. What a path that isn't found adds to
    the variance goes with the square of that, and is as often not found as few rays look for it,
    so each cell has rays by the root of the mean square for the length of ray that it asks.

    Parameters
    ----------
    source : int
        Number of the source, which has a stream of its own.
    dim : float
        Share of its energy with which a ray ends.
    """

    def __init__(self, seed: int, source: int, dim: float) -> None:
        stream = np.uint64(branch(np.uint64(seed), STREAM + source))
        self._shift = np.array([uniform(stream, 0), uniform(stream, 1)])
        self._dim, self._rays, self._mean_m = dim, 0, 0.0
        self._cell = np.zeros(0, np.int64)
        self._left, self._length = np.zeros((2, STRIPS * SECTORS))
        self._shares = np.full((STRIPS, SECTORS), 1.0 / (STRIPS * SECTORS))

    def places(self, number: int) -> Array:
        """(number, 2) of the next directions on the unit square that `on_sphere` maps.

        The next of a low-discrepancy set, denser where earlier rays stayed bright.
        """
        i = self._rays + np.arange(number)[:, None]
        u = (self._shift + i * np.array([STEP_1, STEP_2])) % 1.0
        everywhere = np.zeros(number, np.int64)
        strip, height = draw(self._shares.sum(axis=1, keepdims=True).T, everywhere, u[:, 0])
        sector, turn = draw(self._shares, strip, u[:, 1])
        self._rays += number
        self._cell = strip * SECTORS + sector
        return np.stack([(strip + height) / STRIPS, (sector + turn) / SECTORS], axis=1)

    def learn(self, length_m: Array) -> None:
        """Learn from how far the rays into the last directions came, (number,) m."""
        if self._mean_m == 0.0:
            self._mean_m = float(length_m.mean())
        cells, least_m = len(self._left), 1e-3 * self._mean_m
        left = self._dim ** (FAR * self._mean_m / np.maximum(length_m, least_m))
        self._left += np.bincount(self._cell, left**2, cells)
        self._length += np.bincount(self._cell, length_m, cells)
        aimed = np.sqrt(self._left / np.maximum(self._length, least_m))
        shares = EVENLY / cells + (1.0 - EVENLY) * aimed / max(aimed.sum(), 1e-300)
        self._shares = shares.reshape(STRIPS, SECTORS)


def draw(shares: Array, which: Ints, u: Array) -> tuple[Ints, Array]:
    """Draw from the rows `which` : (n,) of shares : (rows, places) by uniform numbers u : (n,).

    Gives the places and, between 0 and 1, where in them; both rise with u.
    """
    up_to = np.cumsum(shares, axis=1)
    end = (up_to / up_to[:, -1:] + np.arange(len(shares))[:, None]).ravel()
    begin = np.concatenate([[0.0], end[:-1]])
    place = np.minimum(np.searchsorted(end, which + u, side="right"), len(end) - 1)
    inside = (which + u - begin[place]) / (end[place] - begin[place])
    return place - which * shares.shape[1], np.clip(inside, 0.0, 1.0)
