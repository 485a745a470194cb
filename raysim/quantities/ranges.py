"""By how much a difference may be off for what is not known of the materials."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import exact_midband_hz
from raysim.quantities.differences import Difference
from raysim.quantities.plausibility import areas_of
from raysim.quantities.sides import Common, Side
from raysim.theory.reverberation import eyring_time

Array = NDArray[np.float64]
Times = dict[str, tuple[Array, Array, Array]]

EARLY_RATE = 6 * np.log(10)  # of an exponential decay: exp(-EARLY_RATE t / T)


def _clarity(limit_s: float) -> Callable[[Array], Array]:
    return lambda time_s: 10 * np.log10(np.expm1(EARLY_RATE * limit_s / time_s))


OF_DECAY: dict[str, Callable[[Array], Array]] = {
    "C50": _clarity(0.050),
    "C80": _clarity(0.080),
    "D50": lambda time_s: -np.expm1(-EARLY_RATE * 0.050 / time_s),
    "Ts": lambda time_s: time_s / EARLY_RATE,
    "G": lambda time_s: 10 * np.log10(time_s),
}
"""Quantities of an exponential decay from its time; G but for a constant of the room."""
IN_PROPORTION = ("EDT", "T20", "T30")


@dataclass(frozen=True)
class Spread:
    """What the ranges of the materials leave open of a change, (band,) each.

    Attributes
    ----------
    down, up : (band,) float
        By how much the true change may lie lower and higher, in the unit of the quantity.
    material : tuple of str
        Which material moves it most; empty where none does.
    """

    down: Array
    up: Array
    material: tuple[str, ...]


def input_spreads(
    before: Side, after: Side, common: Common, found: tuple[Difference, ...]
) -> dict[str, Spread]:
    """Spread of the change of each quantity that follows from the decay time, by its key.

    Every material moves alone to the ends of its range, on both sides at once, through Eyring's
    formula; the changes of the difference are added as squares, for errors of different materials
    are independent. Decay times are scaled to the traced ones, the others taken as those of
    a diffuse field without direct sound, which moves more than a real one. Not for balance, match
    and single reflections.
    """
    names = list(dict.fromkeys(m.name for side in (before, after) for m in side.scene.materials))
    sides = [_eyring(side, common, k, names) for k, side in enumerate((before, after))]
    spreads = {}
    for one in found:
        if one.key in IN_PROPORTION:
            traced = [np.nan_to_num(e.value[0], nan=0.0) for e in (one.before, one.after)]
            values = [ends * t / middle for (middle, ends), t in zip(sides, traced, strict=True)]
            middle = traced[1] - traced[0]
        elif one.key in OF_DECAY:
            of = OF_DECAY[one.key]
            values = [of(ends) for _, ends in sides]
            middle = of(sides[1][0]) - of(sides[0][0])
        else:
            continue
        spreads[one.key] = _spread(values[1] - values[0] - middle, names)
    return spreads


def _eyring(side: Side, common: Common, which: int, names: list[str]) -> tuple[Array, Array]:
    """Eyring's time (band,) and with each material at each end of its range, (end, name, band)."""
    scene = side.scene
    bands = [pair[which] for pair in common.bands]
    areas = areas_of(side.origin.scene, side.variant)
    midbands = [exact_midband_hz(scene.bands_hz[b]) for b in bands]
    room = (scene.volume, scene.climate.speed_of_sound, scene.climate.attenuation(midbands))
    absorption, low, high = (
        np.stack([getattr(m, key)[bands] for m in scene.materials])
        for key in ("absorption", "absorption_low", "absorption_high")
    )
    ends = np.empty((2, len(names), len(bands)))
    for k, end in enumerate((low, high)):
        for n, name in enumerate(names):
            own = np.array([m.name == name for m in scene.materials])[:, None]
            ends[k, n] = eyring_time(areas, np.where(own, end, absorption), *room)
    return eyring_time(areas, absorption, *room), ends


def _spread(moved: Array, names: list[str]) -> Spread:
    """From changes (end, name, band) of the difference."""
    moved = np.nan_to_num(moved)
    down, up = (
        np.sqrt((np.maximum(sign * moved, 0).max(axis=0) ** 2).sum(axis=0)) for sign in (-1, 1)
    )
    most = np.abs(moved).max(axis=0)
    worst = most.argmax(axis=0)
    material = tuple(names[n] if most[n, b] > 0 else "" for b, n in enumerate(worst))
    return Spread(down, up, material)
