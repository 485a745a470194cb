"""Stacks of layers: impedance, and absorption at any angle, by transfer matrices.

Plane waves of one trace along the surface in homogeneous layers, pressure and normal velocity
continuous from layer to layer (Brekhovskikh, Waves in Layered Media; Allard and Atalla 2009,
chapter 11). Laterally infinite: for real pieces see `raysim.surfaces.chamber`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raysim.air import Air, Climate
from raysim.bands import band_edges_hz
from raysim.surfaces.layers import Fabric, Gap, Layer, Mass, Porous
from raysim.surfaces.porous import Medium, air_medium

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# A third-octave's mean is that of this many frequencies; an octave's that of its three thirds.
FREQUENCIES_A_THIRD = 8
GRAZING_COSINE = 0.1


@dataclass(frozen=True)
class Construction:
    """Layers, front first, on what is behind them.

    Attributes
    ----------
    layers : tuple of Layer
    backing : str
        'rigid', or 'open': free air behind.
    texts : tuple of str
        The layers as they were written.
    """

    layers: tuple[Layer, ...]
    backing: str = "rigid"
    texts: tuple[str, ...] = ()

    @property
    def depth(self) -> float:
        """Distance from the front to the backing, m; cloths and membranes don't count."""
        return sum(getattr(layer, "thickness", 0.0) for layer in self.layers)

    def surface_admittance(
        self,
        frequency_hz: ArrayLike,
        cosine: ArrayLike,
        air: Climate | Air,
        behind: ArrayLike = 0.0,
    ) -> Complex:
        """Normal velocity over pressure at the front, times rho0 c0 of free air.

        Parameters
        ----------
        frequency_hz : (F,) float
        cosine : (A,) float
            Cosine of the angle of incidence from the normal, 0 to 1.
        air : Climate or Air
        behind : (F,) complex, optional
            Admittance, times rho0 c0, of the wall behind; a rigid one has none.

        Returns
        -------
        (F, A) complex
            NaN where a layer's model refuses the frequency (Delany and Bazley outside its range).
        """
        f = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        cos = np.atleast_1d(np.asarray(cosine, dtype=np.float64))
        air = air.air if isinstance(air, Climate) else air
        trace = (2 * np.pi * f[:, None] / air.speed_of_sound) * np.sqrt(1 - cos**2)
        admittance = np.zeros((len(f), len(cos)), dtype=np.complex128)
        admittance += np.reshape(behind, (-1, 1)) / air.impedance
        if self.backing == "open":
            admittance += cos / air.impedance
        # NaN marks what a model refuses, and goes through.
        with np.errstate(invalid="ignore"):
            for n in reversed(range(len(self.layers))):
                layer = self.layers[n]
                if isinstance(layer, Porous | Gap):
                    along = np.zeros_like(trace) if layer.partitioned else trace
                    medium = layer.medium(f, air)
                    admittance = _through(medium, layer.thickness, f, along, admittance)
                else:
                    outside = (self._density(n - 1, f, air), self._density(n + 1, f, air))
                    series = layer.impedance(f, outside, air)[:, None]
                    admittance = admittance / (1 + series * admittance)
        return admittance * air.impedance

    def _density(self, n: int, frequency_hz: Array, air: Air) -> Complex:
        """Density of layer n where it is a medium, else that of air."""
        layer = self.layers[n] if 0 <= n < len(self.layers) else None
        if isinstance(layer, Porous):
            return layer.medium(frequency_hz, air).density
        return air_medium(frequency_hz, air).density

    def surface_impedance(
        self, frequency_hz: ArrayLike, cosine: ArrayLike, air: Climate | Air
    ) -> Complex:
        """(F, A) complex pressure over normal velocity at the front, relative to rho0 c0."""
        admittance = self.surface_admittance(frequency_hz, cosine, air)
        with np.errstate(invalid="ignore"):
            return np.asarray(1 / admittance)

    def reflection_factor(
        self, frequency_hz: ArrayLike, cosine: ArrayLike, air: Climate | Air
    ) -> Complex:
        """(F, A) complex pressure reflected over incident, at the front; -1 at grazing."""
        cos = np.atleast_1d(np.asarray(cosine, dtype=np.float64))
        admittance = self.surface_admittance(frequency_hz, cos, air)
        with np.errstate(invalid="ignore"):
            return np.asarray(2 * cos / np.where(cos > 0, cos + admittance, 1.0) - 1)

    def absorption(self, frequency_hz: ArrayLike, cosine: ArrayLike, air: Climate | Air) -> Array:
        """(F, A) share of the energy that doesn't come back at each frequency and angle.

        With an open backing it includes what passes through.
        """
        return np.asarray(1 - np.abs(self.reflection_factor(frequency_hz, cosine, air)) ** 2)

    def normal_incidence(self, frequency_hz: ArrayLike, air: Climate | Air) -> Array:
        """(F,) absorption coefficient for sound along the normal."""
        return self.absorption(frequency_hz, [1.0], air)[:, 0]

    def random_incidence(
        self, frequency_hz: ArrayLike, air: Climate | Air, limit_deg: float = 90.0
    ) -> Array:
        """(F,) absorption coefficient for sound from all sides (Paris 1928).

        Integral of alpha sin(2 theta) from 0 to `limit_deg`, over that of sin(2 theta). 90 degrees
        is the diffuse field; 78 is used in the trade for transmission.
        """
        cosines, weights = angles(limit_deg)
        return np.asarray(self.absorption(frequency_hz, cosines, air) @ weights)

    def range_ends(self) -> Iterator[Construction]:
        """Give mixtures of low, given and high uncertain parameters.

        Porous layers and cloths move together, and so do panels and membranes. What is as given
        comes with Allard and Champoux's model instead of Miki's too.
        """
        for flow, loss in product((-1, 0, 1), repeat=2):
            yield replace(self, layers=tuple(_moved(one, flow, loss) for one in self.layers))
        yield self.for_low_frequency()

    def for_low_frequency(self) -> Construction:
        """Give the same with Allard and Champoux's model wherever it has Miki's."""
        return replace(
            self,
            layers=tuple(
                replace(one, model="allard-champoux")
                if isinstance(one, Porous) and one.model == "miki"
                else one
                for one in self.layers
            ),
        )


def angles(limit_deg: float = 90.0) -> tuple[Array, Array]:
    """Cosines (A,) and weights (A,) of the diffuse field: a mean over angle is values @ weights.

    Gauss-Legendre over the cosine in two parts, since thin absorbers change fastest near grazing;
    1e-6 for the stacks of the tests.
    """
    lowest = float(np.cos(np.radians(limit_deg)))
    points, weights = np.polynomial.legendre.leggauss(48)
    ends = sorted({lowest, max(lowest, GRAZING_COSINE), 1.0})
    parts = [
        (low + (high - low) * (points + 1) / 2, (high - low) * weights / 2)
        for low, high in pairwise(ends)
    ]
    cosines = np.concatenate([part[0] for part in parts])
    weight = np.concatenate([part[1] for part in parts]) * 2 * cosines
    return cosines, weight / weight.sum()


def frequencies_in(band_hz: float, per_octave: int = 1) -> Array:
    """Frequencies at which a band is averaged: 8 in each third-octave, evenly spaced in pitch."""
    low, high = band_edges_hz(band_hz, per_octave)
    count = FREQUENCIES_A_THIRD * (3 // per_octave)
    return np.asarray(low * (high / low) ** ((np.arange(count) + 0.5) / count))


def band_means(
    values: Callable[[Array], Array], bands_hz: Sequence[float], per_octave: int = 1
) -> Array:
    """Means over bands of a function of frequency, (F,) -> (F, ...); the first axis is bands.

    The mean is over frequencies evenly spaced in pitch within the band's edges, as for a noise of
    equal energy in each third-octave.
    """
    return np.stack([values(frequencies_in(band, per_octave)).mean(axis=0) for band in bands_hz])


def octave_absorption(
    construction: Construction,
    bands_hz: Sequence[float],
    air: Climate | Air,
    per_octave: int = 1,
    limit_deg: float = 90.0,
) -> Array:
    """(bands,) random-incidence absorption averaged over octaves (or thirds, `per_octave` 3)."""

    def values(f: Array) -> Array:
        return construction.random_incidence(f, air, limit_deg)

    return band_means(values, bands_hz, per_octave)


def absorption_by_angle(
    construction: Construction,
    bands_hz: Sequence[float],
    air: Climate | Air,
    cosines: ArrayLike,
    per_octave: int = 1,
) -> Array:
    """Absorption at each angle, averaged over bands.

    Parameters
    ----------
    bands_hz : sequence of (bands,) float
        Nominal labels.
    air : Climate or Air
    cosines : (A,) float
        Cosine of the angle of incidence from the normal.

    Returns
    -------
    (A, bands) float
    """

    def values(f: Array) -> Array:
        return construction.absorption(f, cosines, air)

    return band_means(values, bands_hz, per_octave).T


def absorption_range(
    construction: Construction,
    bands_hz: Sequence[float],
    air: Climate | Air,
    per_octave: int = 1,
) -> tuple[Array, Array]:
    """Lowest and highest random-incidence absorption, (bands,) each (`layers.range_basis`).

    NaN where a model refuses the construction as given.
    """
    ends = set(construction.range_ends())
    each = np.stack([octave_absorption(one, bands_hz, air, per_octave) for one in ends])
    refused = np.isnan(octave_absorption(construction, bands_hz, air, per_octave))
    # Ends of a range may lie beyond what a model gives, where the value itself doesn't.
    low, high = np.fmin.reduce(each), np.fmax.reduce(each)
    return np.where(refused, np.nan, low), np.where(refused, np.nan, high)


def _moved(layer: Layer, flow: int, loss: int) -> Layer:
    """A layer at an end of its range."""
    if isinstance(layer, Mass):
        return layer.looser(loss)
    return layer.looser(flow) if isinstance(layer, Porous | Fabric) else layer


def _through(
    medium: Medium, thickness: float, frequency_hz: Array, along: Array, behind: Complex
) -> Complex:
    """Admittance at the front of a layer, from that at its back, (F, A) in m/(Pa s)."""
    omega = 2 * np.pi * frequency_hz[:, None]
    density, modulus = (values[:, None] for values in medium)
    across = np.sqrt(omega**2 * density / modulus - along**2)
    across = np.where(across.imag > 0, -across, across)
    phase = across * thickness
    # Cosine and sine over exp(j phase), which would overflow in deep dense layers.
    fall = np.exp(-2j * phase)
    cosine, sine = (1 + fall) / 2, (1 - fall) / 2j
    short = np.abs(phase) < 1e-9
    ratio = np.where(short, 1.0, sine / np.where(short, 1.0, phase))
    spring = across * sine / (omega * density)
    inertia = omega * density * thickness * ratio
    return np.asarray((behind * cosine + 1j * spring) / (cosine + 1j * inertia * behind))
