"""A mirror-like box at high frequency, averaged over uniform source positions.

A path of length l in direction (ox, oy, oz) meets the walls of one axis floor(a) or
floor(a) + 1 times, a = l |o| / L, the second with probability a - floor(a). Averaged,

    E(t) = < prod over axes of g(c t |o| / L) > over directions.
"""

from __future__ import annotations

import numpy as np


def _kept(count, low, high):
    """Energy kept after `count` reflections at two walls in turn, averaged over which is first."""
    pairs = (low * high) ** (count // 2)
    return np.where(count % 2 == 0, pairs, pairs * (low + high) / 2)


def _axis_factor(crossings, low, high):
    whole = np.floor(crossings).astype(int)
    part = crossings - whole
    return (1 - part) * _kept(whole, low, high) + part * _kept(whole + 1, low, high)


def mean_decay(size, absorption, lengths_m, points=200):
    """(n,) energy relative to that at length 0, without air."""
    nodes, weights = np.polynomial.legendre.leggauss(points)
    nodes, weights = (nodes + 1) / 2, weights / 2
    cosine, turn = np.meshgrid(nodes, nodes * np.pi / 2, indexing="ij")
    sine = np.sqrt(1 - cosine**2)
    share = np.outer(weights, weights)
    energy = np.zeros(len(lengths_m))
    reflection = 1 - np.asarray(absorption, dtype=float)
    for number, length in enumerate(lengths_m):
        product = share
        for axis, direction in enumerate((sine * np.cos(turn), sine * np.sin(turn), cosine)):
            low, high = reflection[2 * axis], reflection[2 * axis + 1]
            product = product * _axis_factor(length * direction / size[axis], low, high)
        energy[number] = product.sum()
    return energy


def decay_time(time_s, energy, upper_db, lower_db):
    """Time for 60 dB from a line fitted to the backward-integrated level (ISO 3382-1, 5.3).

    `energy` is sampled at even times and integrated by trapezia.
    """
    cells = (energy[1:] + energy[:-1]) / 2
    time_s, remaining = time_s[:-1], np.cumsum(cells[::-1])[::-1]
    heard = remaining > 0
    time_s, level = time_s[heard], 10 * np.log10(remaining[heard] / remaining[0])
    inside = (level <= upper_db) & (level >= lower_db)
    slope = np.polyfit(time_s[inside], level[inside], 1)[0]
    return -60.0 / slope
