"""A loudspeaker from a tape measure: drivers in a closed cabinet, joined by crossovers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_edges_hz
from raysim.loudspeakers.cap import cap_pressure, equal_sphere_m
from raysim.loudspeakers.directivity import Directivity, grid

Array = NDArray[np.float64]

FREQUENCIES_A_BAND = 25
LARGEST_RIM_SHARE = 0.9  # of the sphere's radius: a larger cap is no driver in a baffle
SLENDEREST = 4.0
REAR_CONE = np.radians(15.0)
REAR_RINGS = 32  # of equal solid angle
COUNT_WORDS = ("one-way", "two-way", "three-way", "four-way")


@dataclass(frozen=True)
class Cabinet:
    """Sizes of a loudspeaker.

    Attributes
    ----------
    size_m : (width, depth, height), m
    diameters_m : tuple of float
        Of each driver's moving part, from the lowest to the highest in frequency.
    crossovers_hz : tuple of float
        Between each driver and the next, rising.
    order : int
        Of the crossover filters, even (Linkwitz-Riley; 4 is 24 dB per octave).
    lowpass_hz : float
        Upper end of a subwoofer; infinite if full range.
    """

    size_m: tuple[float, float, float]
    diameters_m: tuple[float, ...]
    crossovers_hz: tuple[float, ...] = ()
    order: int = 4
    lowpass_hz: float = np.inf

    def complaints(self) -> list[str]:
        """What contradicts itself, one sentence each; empty if nothing does."""
        found = []
        drivers = len(self.diameters_m)
        if len(self.crossovers_hz) != drivers - 1:
            wanted = "no crossover" if drivers == 1 else f"{drivers - 1}, in Hz"
            found.append(
                f"{len(self.crossovers_hz)} crossover frequencies for {drivers} "
                f"driver{'' if drivers == 1 else 's'}; give {wanted}"
            )
        if list(self.crossovers_hz) != sorted(set(self.crossovers_hz)):
            found.append("the crossover frequencies don't rise; give them from low to high")
        if self.lowpass_hz <= max(self.crossovers_hz, default=0.0):
            found.append(
                f"lowpass_hz {self.lowpass_hz:g} leaves nothing to the driver above the crossover; "
                "take that driver out, or lowpass_hz"
            )
        width, _, height = self.size_m
        for diameter in self.diameters_m:
            if diameter > min(width, height):
                found.append(
                    f"a driver of {100 * diameter:g} cm does not fit on a front of "
                    f"{100 * width:g} x {100 * height:g} cm; cabinet is [width, depth, height]"
                )
            elif diameter / 2 > LARGEST_RIM_SHARE * equal_sphere_m(self.size_m):
                found.append(
                    f"a driver of {100 * diameter:g} cm in so flat a cabinet is not a box with a "
                    "driver, and this model doesn't hold; give a measured table instead"
                )
        return found

    def doubts(self, bands_hz: Sequence[float]) -> list[str]:
        """Where the model is doubtful, one sentence each."""
        found = []
        if max(self.size_m) > SLENDEREST * min(self.size_m):
            found.append(
                f"its longest edge is more than {SLENDEREST:g} times its shortest; the sphere that "
                "stands for it radiates alike in both planes, which such a cabinet doesn't"
            )
        if list(self.diameters_m) != sorted(self.diameters_m, reverse=True):
            found.append(
                "its drivers don't get smaller from low to high frequency, as they do in most; "
                "'drivers' lists them from the lowest up"
            )
        highest = band_edges_hz(bands_hz[-1])[1]
        ends = (*self.crossovers_hz, min(highest, self.lowpass_hz))
        for diameter, end in zip(self.diameters_m, ends, strict=True):
            limit = self._curvature_limit_hz(diameter)
            if end > limit:
                found.append(
                    f"its {100 * diameter:g} cm driver plays up to {end:.0f} Hz, and above about "
                    f"{limit:.0f} Hz this model of it doesn't hold; give a measured table instead"
                )
        return found

    def _curvature_limit_hz(self, diameter_m: float, speed: float = 343.0) -> float:
        """Where rim and middle of the cap are half a wavelength apart in depth."""
        radius = equal_sphere_m(self.size_m)
        depth = radius - np.sqrt(radius**2 - diameter_m**2 / 4)
        return float(speed / (2 * depth))

    def describe(self) -> str:
        """One line for tables and pictures."""
        ways = len(self.diameters_m)
        sizes = " and ".join(f"{100 * d:g} cm" for d in self.diameters_m)
        width, depth, height = (f"{100 * edge:g}" for edge in self.size_m)
        joined = ", ".join(f"{f:g}" for f in self.crossovers_hz)
        kind = COUNT_WORDS[ways - 1] if ways <= len(COUNT_WORDS) else f"{ways}-way"
        if np.isfinite(self.lowpass_hz):
            kind = "subwoofer"
        return (
            f"{kind}, {sizes} in a cabinet of {width} x {depth} x {height} cm"
            + (f", crossover at {joined} Hz" if joined else "")
            + (f", to {self.lowpass_hz:g} Hz" if np.isfinite(self.lowpass_hz) else "")
            + ", computed"
        )

    def weights(self, frequency_hz: Array) -> Array:
        """(drivers, n) share of each driver in the pressure on the axis; they sum to 1.

        Both sides of a Linkwitz-Riley crossover of order n are in phase (after the inversion
        that its orders 2, 6, .. need): 1/(1 + x^n) and x^n/(1 + x^n), x = f/f_c. Each crossover
        splits what the one below passed up.
        """
        rest = np.ones_like(frequency_hz)
        shares = []
        for crossover in self.crossovers_hz:
            ratio = (frequency_hz / crossover) ** self.order
            shares.append(rest / (1 + ratio))
            rest = rest * ratio / (1 + ratio)
        return np.stack([*shares, rest])


def directivity_of(cabinet: Cabinet, bands_hz: Sequence[float], speed: float) -> Directivity:
    """Directivity of a cabinet at octave bands.

    Each driver is a cap on a sphere of the cabinet's volume (`cap_pressure`). Drivers are summed
    as pressures, each flat and in phase on the axis; they are taken at one point, so the
    interference of drivers side by side near a crossover is left out. Each band is the mean over
    frequencies spaced evenly on a logarithmic axis. Straight behind a sphere all that goes round
    it meets in phase, which no box does: within 15 degrees of the rear the energy is spread
    evenly.

    Parameters
    ----------
    cabinet : Cabinet
    bands_hz : sequence of float
        Nominal octave labels.
    speed : float
        Of sound, m/s.
    """
    frequency = np.concatenate([_within(band) for band in bands_hz])
    # The field is round about the axis: one value serves all directions of equal angle.
    cosine, where = np.unique(np.round(grid()[..., 0], 9), return_inverse=True)
    angle = np.arccos(np.clip(cosine, -1, 1))
    rear = np.pi - REAR_CONE * np.sqrt((np.arange(REAR_RINGS) + 0.5) / REAR_RINGS)
    energy = _energy(cabinet, frequency, np.concatenate([angle, rear]), speed)
    bands = energy.reshape(len(bands_hz), FREQUENCIES_A_BAND, -1).mean(axis=1)
    behind = bands[:, len(angle) :].mean(axis=1)
    bands = np.where(angle > np.pi - REAR_CONE, behind[:, None], bands[:, : len(angle)])
    table = bands.T[where.reshape(grid().shape[:2])]
    return Directivity(np.ascontiguousarray(table), cabinet.describe(), cabinet.lowpass_hz)


def _energy(cabinet: Cabinet, frequency_hz: Array, angle: Array, speed: float) -> Array:
    """(frequencies, angles) squared pressure re the axis, of all drivers together."""
    radius = equal_sphere_m(cabinet.size_m)
    wavenumber = 2 * np.pi * frequency_hz / speed
    pressure = np.zeros((len(frequency_hz), len(angle)), np.complex128)
    for diameter, share in zip(cabinet.diameters_m, cabinet.weights(frequency_hz), strict=True):
        pressure += share[:, None] * cap_pressure(wavenumber, diameter / 2, radius, angle)
    return np.asarray(np.abs(pressure) ** 2)


def _within(band_hz: float) -> Array:
    """Frequencies in Hz at the middles of equal steps of a band, logarithmic."""
    low, high = band_edges_hz(band_hz)
    steps = (np.arange(FREQUENCIES_A_BAND) + 0.5) / FREQUENCIES_A_BAND
    return np.asarray(low * (high / low) ** steps)
