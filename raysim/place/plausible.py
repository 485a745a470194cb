"""Rooms as they may be: dimensions, air, absorption and places beside what is stated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.scene.data import Scene

Array = NDArray[np.float64]

LENGTHS = 0.01
CELSIUS = (15.0, 30.0)


@dataclass(frozen=True)
class Plausible:
    """A room as it may be.

    Attributes
    ----------
    stretch : (3,) float
        Lengths along x, y, z over those stated.
    speed : float, m/s
    absorbing : float
        -1 to 1: from the lowest to the highest absorption believed, in logarithm.
    slip_m : (3, 3) float
        By how much the left and the right loudspeaker and the head with its zone are off.
    """

    stretch: Array
    speed: float
    absorbing: float
    slip_m: Array


def plausible_rooms(scene: Scene, count: int, seed: int, slip_m: float) -> list[Plausible]:
    """Rooms with lengths to 1 %, air of 15 to 30 °C and absorption in its range, all even.

    Each loudspeaker, and the head with its zone, is off by up to `slip_m` along each axis. More
    rooms of a seed begin with the same ones.
    """
    generator = np.random.default_rng([seed, 20_000])
    made = []
    for _ in range(count):
        stretch = 1 + generator.uniform(-LENGTHS, LENGTHS, 3)
        celsius = generator.uniform(*CELSIUS)
        speed = scene.climate.speed_of_sound * np.sqrt(
            (273.15 + celsius) / (273.15 + scene.climate.temperature_c)
        )
        slips = generator.uniform(-slip_m, slip_m, (3, 3))
        made.append(Plausible(stretch, float(speed), float(generator.uniform(-1, 1)), slips))
    return made
