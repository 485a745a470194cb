"""Air in rigid porous frames as an equivalent fluid (time factor exp(+j omega t)).

Each model gives a complex density and bulk modulus over frequency, from which wave number and
impedance follow. The frame is taken to stand still.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.air import Air

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

MIKI_RANGE = (0.01, 1.0)
DELANY_BAZLEY_RANGE = (0.01, 1.0)
# Of the air to which the printed relations for flow resistivity were fitted, Pa s.
VISCOSITY_OF_RELATIONS = 1.82e-5


class Medium(NamedTuple):
    """Equivalent fluid: complex density (kg/m3) and bulk modulus (Pa), both (F,)."""

    density: Complex
    bulk_modulus: Complex


class Pores(NamedTuple):
    """Parameters of Johnson, Champoux and Allard beside flow resistivity; lengths in metres."""

    porosity: float
    tortuosity: float
    viscous_length: float
    thermal_length: float


def air_medium(frequency_hz: Array, air: Air) -> Medium:
    """Free air."""
    one = np.ones(len(frequency_hz), dtype=np.complex128)
    return Medium(air.density * one, air.density * air.speed_of_sound**2 * one)


def miki(frequency_hz: Array, resistivity: float, air: Air) -> Medium:
    """Miki 1990 (J. Acoust. Soc. Jpn. (E) 11, 19-24), one parameter.

    Fitted for 0.01 < f/sigma < 1 m3/kg; plausible below. Below about 0.0008 its bulk modulus would
    give energy back, so that thin dense layers got negative absorption; there its imaginary part
    is set to zero, which is the isothermal limit of air in narrow pores.

    Parameters
    ----------
    frequency_hz : (F,) float
    resistivity : float
        Flow resistivity in Pa s/m2.
    """
    ratio = frequency_hz / resistivity
    impedance = air.impedance * (1 + (0.0699 - 0.107j) * ratio**-0.632)
    wave = 2 * np.pi * frequency_hz / air.speed_of_sound
    return _passive(frequency_hz, impedance, wave * (1 + (0.109 - 0.160j) * ratio**-0.618))


def delany_bazley(frequency_hz: Array, resistivity: float, air: Air) -> Medium:
    """Delany and Bazley 1970 (Applied Acoustics 3, 105-116), one parameter; NaN outside its range.

    Range 0.01 < X < 1 with X = rho0 f/sigma; below it gives negative absorption, so nothing is
    given there. Where its bulk modulus would give energy back, as for `miki`: below X = 0.014.
    """
    x = air.density * frequency_hz / resistivity
    low, high = DELANY_BAZLEY_RANGE
    impedance = air.impedance * (1 + 0.0571 * x**-0.754 - 0.0870j * x**-0.732)
    wave = 2 * np.pi * frequency_hz / air.speed_of_sound
    medium = _passive(
        frequency_hz, impedance, wave * (1 + 0.0978 * x**-0.700 - 0.1890j * x**-0.595)
    )
    inside = (x >= low) & (x <= high)
    return Medium(*(np.where(inside, values, np.nan) for values in medium))


def allard_champoux(frequency_hz: Array, resistivity: float, air: Air) -> Medium:
    """Allard and Champoux 1992 (J. Acoust. Soc. Am. 91, 3346-3353), one parameter, for fibres.

    Has the right limits at low and high frequency. Constants from memory.
    """
    x = air.density * frequency_hz / resistivity
    density = air.density * (1.2 + np.sqrt(-0.0364 * x**-2 - 0.1144j / x))
    root = np.sqrt(2.82 * x**-2 + 24.9j / x)
    return Medium(density, air.pressure * (29.64j + root) / (21.17j + root))


def johnson_champoux_allard(
    frequency_hz: Array, resistivity: float, pores: Pores, air: Air
) -> Medium:
    """Johnson et al. 1987, Champoux and Allard 1991, five parameters.

    As in Allard and Atalla, Propagation of Sound in Porous Media (2009), chapter 5, from memory.
    Right at low and high frequency for any rigid frame.
    """
    omega = 2 * np.pi * frequency_hz
    porosity, tortuosity, viscous, thermal = pores
    drag = resistivity * porosity / (1j * omega * air.density * tortuosity)
    inertia = 4j * tortuosity**2 * air.viscosity * air.density * omega
    density = (tortuosity * air.density / porosity) * (
        1 + drag * np.sqrt(1 + inertia / (resistivity * viscous * porosity) ** 2)
    )
    heat = 8 * air.viscosity / (1j * thermal**2 * air.prandtl * omega * air.density)
    exchange = 1j * thermal**2 * air.prandtl * omega * air.density / (16 * air.viscosity)
    ratio = air.heat_ratio
    stiffness = ratio - (ratio - 1) / (1 + heat * np.sqrt(1 + exchange))
    return Medium(density, (ratio * air.pressure / porosity) / stiffness)


ONE_PARAMETER: dict[str, Callable[[Array, float, Air], Medium]] = {
    "miki": miki,
    "delany-bazley": delany_bazley,
    "allard-champoux": allard_champoux,
}


def _passive(frequency_hz: Array, impedance: NDArray[Any], wave: NDArray[Any]) -> Medium:
    omega = 2 * np.pi * frequency_hz
    modulus = impedance * omega / wave
    return Medium(impedance * wave / omega, modulus.real + 1j * np.maximum(modulus.imag, 0.0))


@dataclass(frozen=True)
class Stuff:
    """What a porous layer is made of, and how its flow resistivity follows from its density.

    Attributes
    ----------
    fibre_diameter : float, m
        Taken where none is given: 5 um for mineral wools, with which the relation for glass gives
        5700 and 17000 Pa s/m2 at 14 and 30 kg/m3, where sound attenuation measured across sheets
        (Tarnow 2000, J. Acoust. Soc. Am. 108, 2243) implies 5800 and 15800.
    densities : (lowest, highest) kg/m3
        Within which the relation was fitted, or is commonly used.
    """

    relation: Callable[[float, float], float]
    fibre_diameter: float
    densities: tuple[float, float]
    source: str


def _glass(density: float, diameter: float) -> float:
    solid = density / 2550.0
    return float(3.2 * VISCOSITY_OF_RELATIONS * solid**1.42 / (diameter / 2) ** 2)


def _rock(density: float, diameter: float) -> float:
    solid = density / 2700.0
    return float(4.4 * VISCOSITY_OF_RELATIONS * solid**1.59 / (diameter / 2) ** 2)


def _either(density: float, diameter: float) -> float:
    return float(np.sqrt(_glass(density, diameter) * _rock(density, diameter)))


def _polyester(density: float, diameter: float) -> float:
    return float(25.989e-9 * density**1.404 / diameter**2)


def _sheep(density: float, diameter: float) -> float:
    return float(490e-6 * density**1.61 / diameter)


_TABLE = "Cox and D'Antonio, Acoustic Absorbers and Diffusers, table 5.1"
STUFFS = {
    "glass wool": Stuff(_glass, 5e-6, (8.0, 150.0), f"{_TABLE}, glass fibre"),
    "rock wool": Stuff(_rock, 5e-6, (20.0, 200.0), f"{_TABLE}, mineral fibre"),
    "sheep wool": Stuff(_sheep, 28e-6, (13.0, 90.0), f"{_TABLE}, sheep wool"),
    "polyester": Stuff(_polyester, 30e-6, (12.0, 60.0), f"{_TABLE}, polyester"),
    "wool": Stuff(_either, 5e-6, (8.0, 200.0), f"{_TABLE}, mean of glass and mineral fibre"),
}


def flow_resistivity(stuff: str, density: float, fibre_diameter: float | None = None) -> float:
    """Flow resistivity in Pa s/m2 of a fibrous material from its density.

    Relations of `STUFFS`, seen as quoted; specific to the fibre's diameter, which enters squared,
    so that a factor of 2 either way must be expected where it isn't known.

    Parameters
    ----------
    stuff : str
        A key of `STUFFS`.
    density : float, kg/m3
    fibre_diameter : float, m, optional
    """
    made_of = STUFFS[stuff]
    return made_of.relation(density, fibre_diameter or made_of.fibre_diameter)
