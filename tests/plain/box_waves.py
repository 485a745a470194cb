"""Sound of a point source in a box with the same admittance on all walls.

A sum over the waves across (y and z, roots of a transcendental equation by Newton's method from
those of rigid walls) of closed one-dimensional fields along x. Kuttruff, Room Acoustics, chapter
3, gives the roots; dp/dn = -j k beta p, exp(j omega t).
"""

from __future__ import annotations

from functools import cache

import numpy as np


@cache
def across(length, k, beta, count):
    """(count,) wavenumbers across, followed from the rigid walls to beta in 20 steps."""
    number = np.arange(count)
    q = number * np.pi / length + 0j
    even = number % 2 == 0
    for share in np.arange(1, 21) / 20:
        a = 1j * k * beta * share
        if share == 1 / 20:
            q[0] = np.sqrt(2 * a / length)
        for _ in range(12):
            h = q * length / 2
            sin, cos = np.sin(h), np.cos(h)
            value = np.where(even, q * sin - a * cos, q * cos + a * sin)
            slope = np.where(
                even,
                sin + h * cos + a * length / 2 * sin,
                cos - h * sin + a * length / 2 * cos,
            )
            q = q - value / slope
    return q


def shape(q, x, length):
    """Values at x and the integral of the square over the length."""
    even = np.arange(len(q)) % 2 == 0
    y = x - length / 2
    value = np.where(even, np.cos(q * y), np.sin(q * y))
    ripple = np.sin(q * length) / (2 * q)
    return value, length / 2 + np.where(even, ripple, -ripple)


def pressure(size, source, receiver, frequency_hz, beta, speed, count=24):
    """Complex pressure of a source whose free field is exp(-j k r)/(4 pi r); one frequency."""
    k = 2 * np.pi * frequency_hz / speed
    waves = [across(float(size[a]), float(k), complex(beta), count) for a in (1, 2)]
    share = []
    for q, a in zip(waves, (1, 2), strict=True):
        at_source, norm = shape(q, source[a], size[a])
        share.append(at_source * shape(q, receiver[a], size[a])[0] / norm)
    along = np.sqrt(waves[0][:, None] ** 2 + waves[1][None] ** 2 - k**2)
    back = (along - 1j * k * beta) / (along + 1j * k * beta)
    low, high = sorted((source[0], receiver[0]))
    length = size[0]
    left = 1 + back * np.exp(-2 * along * low)
    right = 1 + back * np.exp(-2 * along * (length - high))
    both = 1 - back**2 * np.exp(-2 * along * length)
    field = np.exp(-along * (high - low)) * left * right / (2 * along * both)
    return share[0] @ field @ share[1]
