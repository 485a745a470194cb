"""Mirrored paths beyond the image order, exactly: those that rays find.

What is known is taken from what rays count, by the history of the path. So the sum is the same
however many are known; the more, the less is left to chance.
"""

from __future__ import annotations

from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.mirrored import DEEPEST, Candidates, follow_mirrored, weigh_paths
from raysim.kernels.ray import NOTHING_EXACT, Plan
from raysim.kernels.threads import share_out
from raysim.kernels.walk import rays_in
from raysim.solvers.aim import Aim
from raysim.solvers.pack import Packed

Array = NDArray[np.float64]
AT_FIRST, EACH_ROUND, IN_ALL = 49152, 1024, 524288  # rays of a source, for one receiver
AT_ONCE, PARTS = 16384, 16
NEAR_M = 1.0  # how near to a receiver a ray must pass
DIM = 2e-2  # share of its energy with which a ray still searches
MOST = 8  # paths that a ray tells of each receiver, on average
WEIGHED = 1_000_000  # energies at once


class Mirrored:
    """What is known of mirrored paths; it grows from round to round.

    Parameters
    ----------
    energy : (variant, source, receiver, band, time) re the 10 m free field
        What they bring is added here.
    """

    def __init__(self, packed: Packed, plan: Plan, seed: int, energy: Array) -> None:
        self._keys: NDArray[np.uint64] = NOTHING_EXACT
        self._heard = energy.transpose(1, 2, 4, 0, 3)
        self._packed, self._plan, self._seed, self._rays = packed, plan, seed, 0
        self._room = packed.room(plan)
        boundary = packed.boundary
        mirrored = (1.0 - boundary.scattering)[:, boundary.band_class]
        brightness = (mirrored * boundary.reflectance).max(axis=1)
        for first in np.unique(boundary.material):
            own = brightness[first : first + boundary.steps[first] + 1]
            own[:] = own.max()
        self._brightness = brightness
        self._aims = [Aim(seed, source, DIM) for source in range(len(packed.sources))]

    def learn(self, number: int) -> NDArray[np.uint64]:
        """Keys, sorted, of what is known in round `number`, the same however it came there."""
        receivers = len(self._packed.receivers.radius)
        wanted = min(AT_FIRST + EACH_ROUND * number, IN_ALL) / sqrt(receivers)
        while self._rays < wanted:
            self._search(PARTS * ceil(AT_ONCE / PARTS / sqrt(receivers)))
        return self._keys

    def _search(self, rays: int) -> None:
        """Let `rays` more rays of each source search."""
        packed = self._packed
        sources, receivers = packed.direct_m.shape
        places = np.concatenate([aim.places(rays) for aim in self._aims])
        portions, most = sources * PARTS, MOST * receivers * rays // PARTS
        found = Candidates(
            np.empty((len(places), DEEPEST), np.int32),
            np.zeros(len(places)),
            np.zeros(portions, np.int64),
            np.empty((portions, most), np.int32),
            np.empty((portions, most), np.int32),
            np.empty((portions, most), np.int32),
            np.empty((portions, most), np.uint64),
        )
        share_out(
            lambda first, step: follow_mirrored(
                first,
                step,
                self._room,
                packed.sources,
                self._brightness,
                DIM,
                NEAR_M,
                places,
                rays_in(self._room),
                found,
            ),
            portions,
        )
        self._rays += rays
        for aim, length in zip(self._aims, found.length.reshape(sources, rays), strict=True):
            aim.learn(length)
        noted = np.arange(most) < found.number[:, None]
        keys, one = np.unique(found.key[noted], return_index=True)
        new = ~self._known(keys)
        ray, order, receiver = (
            of[noted][one[new]] for of in (found.ray, found.order, found.receiver)
        )
        at_once = max(1, WEIGHED // (self._heard.shape[3] * self._heard.shape[4]))
        for i in range(0, len(ray), at_once):
            some = slice(i, i + at_once)
            own = ray[some]
            self._add(own // rays, receiver[some], order[some], found.facets[own])
        self._keys = np.sort(np.concatenate([self._keys, keys[new]]), kind="stable")

    def _known(self, keys: NDArray[np.uint64]) -> NDArray[np.bool_]:
        at = np.searchsorted(self._keys, keys)
        known = at < len(self._keys)
        known[known] = self._keys[at[known]] == keys[known]
        return known

    def _add(
        self,
        source: NDArray[np.int32],
        receiver: NDArray[np.int32],
        order: NDArray[np.int32],
        facets: NDArray[np.int32],
    ) -> None:
        """Add what paths bring: of ray (n,) sources, receivers and orders, (n, DEEPEST) facets."""
        packed, plan = self._packed, self._plan
        length = np.empty(len(source))
        energy = np.empty((len(source), *self._heard.shape[3:]))
        share_out(
            lambda first, step: weigh_paths(
                first,
                step,
                self._room,
                packed.planes,
                packed.sources,
                packed.emission,
                source,
                receiver,
                order,
                facets,
                length,
                energy,
            ),
            len(source),
        )
        late_m = np.maximum(0.0, length - packed.direct_m[source, receiver])
        time = (late_m / (plan.speed * plan.bin_s)).astype(np.int64)
        heard = (time < self._heard.shape[2]) & (energy > 0.0).any(axis=(1, 2))
        np.add.at(self._heard, (source[heard], receiver[heard], time[heard]), energy[heard])
