"""Modes of the room with its materials: complex frequencies."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from raysim.waves.reduced import Treated

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

WINDOW = 1.2  # ratio of the frequencies at which admittances are held
MARGIN = 1.25  # neighbours taken along, as a ratio of frequencies
STEPS = 30
CLOSE = 1e-9
SAME = 1e-7


@dataclass(frozen=True)
class Damped:
    """Modes with decay.

    Attributes
    ----------
    wavenumbers : (modes,) complex, rad/m
        Rising real part; the imaginary part is positive where sound decays.
    shapes : (small, modes) complex
        In the basis of `Treated`, orthonormal without conjugation at each mode's own wavenumber.
    speed : float, m/s
    """

    wavenumbers: Complex
    shapes: Complex
    speed: float

    @property
    def frequencies_hz(self) -> Array:
        """(modes,) float."""
        return np.asarray(self.wavenumbers.real * self.speed / (2 * np.pi))

    @property
    def decay_times_s(self) -> Array:
        """(modes,) float: for 60 dB; infinite where nothing absorbs."""
        rate = self.wavenumbers.imag * self.speed
        with np.errstate(divide="ignore"):
            return np.asarray(np.where(rate > 0, 3 * np.log(10) / np.maximum(rate, 0), np.inf))


def damped_modes(treated: Treated) -> Damped:
    """Modes from the lowest to the highest frequency of `treated`.

    (K + j k sum beta(k) B - k^2) v = 0. In windows of frequency the admittance and the k in front
    of it are held, which leaves a linear problem; its vectors near the window span the small
    space in which each mode is then found by Newton's method, with the admittance at the real
    part of its frequency. Modes are taken as damped less than critically, and the field of a
    closed room at zero frequency is not one.
    """
    f = treated.frequencies_hz
    count = max(1, int(np.ceil(np.log(f[-1] / f[0]) / np.log(WINDOW))))
    edges = np.geomspace(f[0], f[-1], count + 1)
    found: list[tuple[complex, Complex]] = []
    for low, high in pairwise(edges):
        found += _in_window(treated, float(low), float(high), last=high == edges[-1])
    kept: list[tuple[complex, Complex]] = []
    for k, shape in sorted(found, key=lambda one: one[0].real):
        if not any(_same(k, shape, *other) for other in kept[-6:]):
            kept.append((k, shape))
    size = len(treated.stiffness)
    shapes = np.array([v for _, v in kept], np.complex128).reshape(-1, size).T
    return Damped(np.array([k for k, _ in kept], np.complex128), shapes, treated.reduced.speed)


def _same(k: complex, shape: Complex, other_k: complex, other: Complex) -> bool:
    alike = abs(np.vdot(shape, other)) / (np.linalg.norm(shape) * np.linalg.norm(other))
    return abs(k - other_k) < SAME * abs(k) and bool(alike > 0.99)


def _in_window(
    treated: Treated, low_hz: float, high_hz: float, last: bool
) -> list[tuple[complex, Complex]]:
    to_k = 2 * np.pi / treated.reduced.speed
    middle = np.sqrt(low_hz * high_hz) * to_k
    held = treated.stiffness.astype(np.complex128)
    for beta, group in zip(_admittances(treated, middle), treated.groups, strict=True):
        held += (1j * middle * beta) * group
    squared, vectors = scipy.linalg.eig(held, check_finite=False)
    k0 = np.sqrt(squared.astype(np.complex128))
    near = np.flatnonzero((k0.real > low_hz * to_k / MARGIN) & (k0.real < high_hz * to_k * MARGIN))
    if not len(near):
        return []
    near = near[np.argsort(k0[near].real)]
    space, _ = np.linalg.qr(vectors[:, near])
    stiffness = space.T @ treated.stiffness @ space
    mass = space.T @ space
    groups = [space.T @ group @ space for group in treated.groups]
    found = []
    for start, vector in zip(k0[near], vectors[:, near].T, strict=True):
        k, shape = _newton(treated, stiffness, mass, groups, start, space.conj().T @ vector)
        if low_hz * to_k <= k.real < high_hz * to_k or (last and k.real == high_hz * to_k):
            found.append((k, space @ shape))
    return found


def _newton(
    treated: Treated,
    stiffness: Complex,
    mass: Complex,
    groups: list[Complex],
    k: complex,
    shape: Complex,
) -> tuple[complex, Complex]:
    """Inverse iteration with a changing matrix: k -= 1 / (w T(k)^-1 T'(k) v)."""
    weight = shape.conj() / np.linalg.norm(shape)
    shape = shape / (weight @ shape)
    for _ in range(STEPS):
        beta = _admittances(treated, k.real)
        boundary = sum((b * g for b, g in zip(beta, groups, strict=True)), np.zeros_like(mass))
        full = stiffness + 1j * k * boundary - k * k * mass
        try:
            step = np.linalg.solve(full, (1j * boundary - 2 * k * mass) @ shape)
        except np.linalg.LinAlgError:
            break  # singular to the last bit: this is the mode
        change = 1 / (weight @ step)
        shape = step * change
        k -= change
        if abs(change) < CLOSE * abs(k):
            break
    return complex(k), shape


def _admittances(treated: Treated, wavenumber: float) -> Complex:
    """(groups,) complex at a frequency, between the given ones by straight lines."""
    f = wavenumber * treated.reduced.speed / (2 * np.pi)
    at = treated.frequencies_hz
    return np.array(
        [np.interp(f, at, b.real) + 1j * np.interp(f, at, b.imag) for b in treated.admittances]
    )
