"""Impedance of thin sheets: holes, slots, masses and cloth (time factor exp(+j omega t)).

A sheet is thin against the wavelength: the same velocity on both sides, a difference of pressure
across it. Impedances are that difference over the velocity in front, in Pa s/m.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import jve

from raysim.air import Air

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def hole_density(frequency_hz: Array, diameter: float, air: Air) -> Complex:
    """Effective density of air in a narrow round hole, kg/m3.

    rho0 / (1 - 2 J1(q) / (q J0(q))), q = (d/2) sqrt(-j omega rho0/eta) (Zwikker and Kosten 1949;
    Maa 1998, J. Acoust. Soc. Am. 104, 2861). Tends to 4/3 rho0 in narrow holes, where it gives
    Poiseuille's resistance 32 eta/d2 per metre.
    """
    q = diameter / 2 * np.sqrt(-2j * np.pi * frequency_hz * air.density / air.viscosity)
    # The scaled functions share their factor, which cancels.
    return np.asarray(air.density / (1 - 2 * jve(1, q) / (q * jve(0, q))))


def slot_density(frequency_hz: Array, width: float, air: Air) -> Complex:
    """Effective density of air in a narrow slot, kg/m3: rho0 / (1 - tanh(q)/q).

    q = (w/2) sqrt(j omega rho0/eta) (Allard and Atalla 2009, chapter 4). Tends to 6/5 rho0 in
    narrow slots, where it gives the resistance 12 eta/w2 per metre.
    """
    q = width / 2 * np.sqrt(2j * np.pi * frequency_hz * air.density / air.viscosity)
    return np.asarray(air.density / (1 - np.tanh(q) / q))


def hole_end(diameter: float, open_share: float) -> float:
    """Length in metres by which the air on one side of a hole moves along.

    0.425 d (1 - 1.13 x - 0.09 x2 + 0.27 x3), x = d/b for holes in squares of side b: for both
    sides together 0.85 d of single holes, less where neighbours share the air (from memory).
    """
    x = np.sqrt(4 * open_share / np.pi)
    return float(0.425 * diameter * max(1 - 1.13 * x - 0.09 * x**2 + 0.27 * x**3, 0.0))


def slot_end(width: float, open_share: float) -> float:
    """Length in metres by which the air on one side of a slot moves along.

    -(w/pi) ln sin(pi p/2) for long slots that take the share p of the surface (Smits and Kosten
    1951, Acustica 1, 114; from memory).
    """
    return float(-width / np.pi * np.log(np.sin(np.pi * open_share / 2)))


def openings(
    frequency_hz: Array,
    inside: Complex,
    thickness: float,
    end: float,
    open_share: float,
    outside: tuple[Complex, Complex],
    air: Air,
) -> Complex:
    """Impedance of a stiff sheet with openings.

    Parameters
    ----------
    inside : (F,) complex, kg/m3
        Effective density in an opening.
    end : float, m
        Length of the air that moves along on each side.
    outside : pair of (F,) complex, kg/m3
        Density of what is in front of and behind the sheet: in contact with a porous layer the air
        at that end moves through it (after Atalla and Sgard 2007, J. Sound Vib. 303, 195).

    Notes
    -----
    Friction on the sheet around the openings: sqrt(2 omega rho0 eta)/2, both sides together, as
    printed by Maa 1998 (sqrt(2)/32 in his k d/t); papers differ by a factor up to 4 here, which
    matters for holes above about 1 mm only.
    """
    omega = 2 * np.pi * frequency_hz
    friction = np.sqrt(2 * omega * air.density * air.viscosity) / 2
    column = thickness * inside + end * (outside[0] + outside[1])
    return np.asarray((1j * omega * column + friction) / open_share)


def mass(frequency_hz: Array, area_density: float, loss: float) -> Complex:
    """Limp sheet of a mass in kg/m2; `loss` omega m is the resistance of its mounting."""
    return np.asarray(2 * np.pi * frequency_hz * area_density * (loss + 1j))


def cloth(frequency_hz: Array, resistance: float, area_density: float | None) -> Complex:
    """Cloth of a flow resistance in Pa s/m, held still or free to move with its mass (kg/m2).

    Free cloth lets the air flow through it and moves with it: both in parallel.
    """
    still = np.full(len(frequency_hz), resistance, dtype=np.complex128)
    if area_density is None:
        return still
    free = 2j * np.pi * frequency_hz * area_density
    return np.asarray(still * free / (still + free))
