"""Image sources of a shoebox, enumerated as the lattice they are (Allen and Berkley 1979).

The room is [0, Lx] x [0, Ly] x [0, Lz]. Along one axis the images of a source at x are
k L + x for even k and k L + (L - x) for odd k; the straight line from image k to the room
crosses |k| copies of the two walls in turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Images:
    """Images of one source seen by one receiver, shortest path first.

    lengths: (n,) m; hits: (n, 6) number of reflections at x=0, x=Lx, y=0, y=Ly, z=0, z=Lz.
    """

    lengths: np.ndarray
    hits: np.ndarray

    @property
    def order(self):
        return self.hits.sum(axis=1)

    def energy(self, absorption, scattering=0.0, attenuation=0.0):
        """(n,) squared pressure re the free field at 10 m, coefficients per wall in one band."""
        kept = (1 - np.broadcast_to(absorption, 6)) * (1 - np.broadcast_to(scattering, 6))
        losses = np.prod(kept**self.hits, axis=1) * np.exp(-attenuation * self.lengths)
        return 100.0 * losses / self.lengths**2


def _axis(length, source, receiver, reach):
    """Offsets (n,) from the receiver and hits (n, 2) at the low and the high wall."""
    k = np.arange(-reach, reach + 1)
    image = k * length + np.where(k % 2 == 0, source, length - source)
    towards = (np.abs(k) + 1) // 2  # the wall that the image lies behind is met first, or equal
    after = np.abs(k) // 2
    low = np.where(k < 0, towards, after)
    high = np.where(k < 0, after, towards)
    return image - receiver, np.stack([low, high], axis=1)


def _all(size, source, receiver, reaches):
    axes = [_axis(*each) for each in zip(size, source, receiver, reaches, strict=True)]
    x, y, z = np.meshgrid(*(np.arange(len(offset)) for offset, _ in axes), indexing="ij")
    picks = (x.ravel(), y.ravel(), z.ravel())
    squared = sum(offset[pick] ** 2 for (offset, _), pick in zip(axes, picks, strict=True))
    hits = np.concatenate([hit[pick] for (_, hit), pick in zip(axes, picks, strict=True)], axis=1)
    return np.sqrt(squared), hits


def _sorted(lengths, hits, keep):
    lengths, hits = lengths[keep], hits[keep]
    first = np.argsort(lengths, kind="stable")
    return Images(lengths[first], hits[first])


def images_to_order(size, source, receiver, order):
    """All images with at most `order` reflections."""
    lengths, hits = _all(size, source, receiver, [order] * 3)
    return _sorted(lengths, hits, hits.sum(axis=1) <= order)


def images_to_length(size, source, receiver, longest_m):
    """All images whose path is at most `longest_m` long."""
    reaches = [int(np.ceil(longest_m / length)) + 1 for length in size]
    lengths, hits = _all(size, source, receiver, reaches)
    return _sorted(lengths, hits, lengths <= longest_m)


def histogram(images, energy, speed_of_sound, edges_s):
    """Energy per time bin, time counted from the arrival of the straight line (image 0)."""
    delays = (images.lengths - images.lengths[0]) / speed_of_sound
    return np.histogram(delays, edges_s, weights=energy)[0]
