"""A stack of layers as one linear system for all wave amplitudes at normal incidence.

Nothing is carried from layer to layer: every layer has a wave to the wall and one from it, with
amplitudes unknown, and every interface says that pressure (less the drop over a sheet) and
velocity are continuous.
"""

from __future__ import annotations

import numpy as np
from scipy.special import jv

DENSITY, SPEED, VISCOSITY = 1.204, 343.2, 1.825e-5


def miki(frequency_hz, resistivity):
    """Wave number and characteristic impedance (Miki 1990)."""
    ratio = frequency_hz / resistivity
    wave = 2 * np.pi * frequency_hz / SPEED * (1 + (0.109 - 0.160j) * ratio**-0.618)
    return wave, DENSITY * SPEED * (1 + (0.0699 - 0.107j) * ratio**-0.632)


def air(frequency_hz):
    """Wave number and characteristic impedance of free air."""
    return 2 * np.pi * frequency_hz / SPEED + 0j, DENSITY * SPEED + 0j


def holes(frequency_hz, thickness, diameter, share, behind):
    """Impedance of round holes between air and a medium (wave number, impedance) behind."""
    omega = 2 * np.pi * frequency_hz
    q = diameter / 2 * np.sqrt(omega * DENSITY / VISCOSITY) * np.exp(-0.25j * np.pi)
    inside = DENSITY / (1 - 2 * jv(1, q) / (q * jv(0, q)))
    x = 2 * np.sqrt(share / np.pi)
    end = 0.425 * diameter * (1 - 1.13 * x - 0.09 * x**2 + 0.27 * x**3)
    wave, impedance = behind
    rear = wave * impedance / omega
    friction = 0.5 * np.sqrt(2 * omega * DENSITY * VISCOSITY)
    return (1j * omega * (thickness * inside + end * (DENSITY + rear)) + friction) / share


def absorption(parts, open_behind=False):
    """Absorption of `parts`, front first: ('medium', k, Z, d) or ('sheet', z).

    Unknowns: the reflected amplitude, two for each medium, and the transmitted one.
    """
    media = [part for part in parts if part[0] == "medium"]
    unknown = 1 + 2 * len(media) + int(open_behind)
    rows = []
    # Pressure and velocity just before the next interface as rows over the unknowns + a constant.
    z0 = DENSITY * SPEED
    pressure, velocity = np.zeros(unknown + 1, complex), np.zeros(unknown + 1, complex)
    pressure[[0, -1]] = 1, 1
    velocity[[0, -1]] = -1 / z0, 1 / z0
    drop = 0.0
    column = 1
    for part in parts:
        if part[0] == "sheet":
            drop = drop + part[1]
            continue
        _, k, z, d = part
        enter_p, enter_v = np.zeros_like(pressure), np.zeros_like(velocity)
        enter_p[[column, column + 1]] = 1, np.exp(-1j * k * d)
        enter_v[[column, column + 1]] = 1 / z, -np.exp(-1j * k * d) / z
        rows += [pressure - drop * velocity - enter_p, velocity - enter_v]
        pressure, velocity = np.zeros_like(pressure), np.zeros_like(velocity)
        pressure[[column, column + 1]] = np.exp(-1j * k * d), 1
        velocity[[column, column + 1]] = np.exp(-1j * k * d) / z, -1 / z
        column, drop = column + 2, 0.0
    if open_behind:
        beyond = np.zeros_like(pressure)
        beyond[column] = 1
        rows += [pressure - drop * velocity - beyond, velocity - beyond / z0]
    else:
        rows.append(velocity)
    matrix = np.array(rows)
    right = -matrix[:, -1]
    solved = np.linalg.solve(matrix[:, :-1], right)
    return 1 - abs(solved[0]) ** 2
