"""Radiation impedance of a rectangle by summing over pairs of small squares."""

from __future__ import annotations

import numpy as np


def mean_radiation_impedance(wave_number, sine, sides, side, azimuths=24):
    """Mean pressure over velocity exp(-j k sin(theta) x') of a rectangle in a hard wall.

    Pressure at a point is j k/(2 pi) times the integral of v exp(-j k R)/R. `side` is that of the
    squares, which divide both sides; a square on itself counts with the mean of 1/R over its pairs
    of points, (4 ln(1 + sqrt 2) + 4/3 (1 - sqrt 2))/side. The error
    has terms of side and side squared.
    """
    x, y = ((np.arange(round(length / side)) + 0.5) * side for length in sides)
    at = np.stack([g.ravel() for g in np.meshgrid(x, y)], axis=1)
    difference = at[:, None] - at
    distance = np.hypot(*difference.transpose(2, 0, 1))
    same = distance == 0
    kernel = np.exp(-1j * wave_number * distance) / np.where(same, 1.0, distance)
    own = 4 * np.log(1 + np.sqrt(2)) + 4 / 3 * (1 - np.sqrt(2))
    kernel[same] = own / side - 1j * wave_number
    mean = 0.0
    for phi in 2 * np.pi * (np.arange(azimuths) + 0.5) / azimuths:
        phase = wave_number * sine * (at @ [np.cos(phi), np.sin(phi)])
        wave = np.exp(-1j * phase)
        mean += (wave.conj() @ kernel @ wave) / azimuths
    return 1j * wave_number / (2 * np.pi * sides[0] * sides[1]) * mean * side**4
