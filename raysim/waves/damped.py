"""Modes of the room with its materials: complex frequencies."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import scipy.linalg
from numpy.typing import NDArray
from scipy.linalg import lapack
from scipy.sparse.linalg import LinearOperator, eigs

from raysim.waves.threads import each
from raysim.waves.treated import Treated

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

WINDOW, LEAST_WINDOW = 1.2, 1.02  # ratio of the frequencies at which admittances are held
MOST_MODES = 12  # in a window
LEAST_MARGIN = 1.015  # neighbours taken along on each side: as many again as in the window
SPARE = 6
ARPACK_TOLERANCE = 1e-4
STEPS = 30
LEAST_QUALITY = 1.0  # with bodies filled: flow and heat that creep within them are no modes of air
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


def damped_modes(treated: Treated, to_hz: float | None = None) -> Damped:
    """Modes from the lowest frequency of `treated` to its highest, or to `to_hz`.

    (K + j k sum beta(k) B - k^2) v = 0. In windows of frequency the admittance and the k in front
    of it are held, which leaves a linear problem; its vectors near the window span the small
    space in which each mode is then found by Newton's method, with the admittance at the real
    part of its frequency. Modes are taken as damped less than critically, and the field of a
    closed room at zero frequency is not one.
    """
    to_k = float(treated.wavenumbers[-1])
    if to_hz is not None:
        to_k = min(to_k, 2 * np.pi * to_hz / treated.reduced.speed)
    windows = _windows(treated, to_k)
    found = [one for own in each(partial(_in_window, treated), windows) for one in own]
    kept: list[tuple[complex, Complex]] = []
    for k, shape in sorted(found, key=lambda one: one[0].real):
        if not any(_same(k, shape, *other) for other in kept[-6:]):
            kept.append((k, shape))
    size = len(treated.stiffness)
    shapes = np.array([v for _, v in kept], np.complex128).reshape(-1, size).T
    wavenumbers = np.array([k for k, _ in kept], np.complex128)
    return Damped(wavenumbers, shapes, treated.reduced.speed)


def _windows(treated: Treated, highest: float) -> list[tuple[float, float]]:
    """Lowest and highest wavenumber of each: a ratio of WINDOW, or some MOST_MODES modes."""
    rigid = np.sqrt(treated.reduced.modes.squared)
    low = treated.wavenumbers[0]
    windows = []
    while low < highest:
        ahead = rigid[rigid > low]
        high = ahead[MOST_MODES] if len(ahead) > MOST_MODES else np.inf
        high = min(max(high, low * LEAST_WINDOW), low * WINDOW)
        high = float(highest) if high * LEAST_WINDOW > highest else float(high)
        windows.append((float(low), high))
        low = high
    return windows


def _same(k: complex, shape: Complex, other_k: complex, other: Complex) -> bool:
    alike = abs(np.vdot(shape, other)) / (np.linalg.norm(shape) * np.linalg.norm(other))
    return abs(k - other_k) < SAME * abs(k) and bool(alike > 0.99)


def _in_window(treated: Treated, window: tuple[float, float]) -> list[tuple[complex, Complex]]:
    low, high = window
    k0, vectors = _held_modes(treated, low, high)
    if not len(k0):
        return []
    space, _ = np.linalg.qr(vectors)
    stiffness = space.T @ treated.stiffness @ space
    mass = space.T @ space
    groups = space.T @ treated.groups @ space
    found = []
    for start, vector in zip(k0, vectors.T, strict=True):
        k, shape = _newton(treated, stiffness, mass, groups, start, space.conj().T @ vector)
        heard = not treated.is_filled or k.imag < k.real / (2 * LEAST_QUALITY)
        if low <= k.real < high and heard:
            found.append((k, space @ shape))
    return found


def _held_modes(treated: Treated, low: float, high: float) -> tuple[Complex, Complex]:
    """Modes near a window with admittances held at its middle; by shift and inverse (ARPACK)."""
    middle = np.sqrt(low * high)
    weights = treated.weights_at(np.array([middle]))[:, 0]
    held = treated.stiffness + np.tensordot(weights, treated.groups, 1)
    size, shift = len(held), middle**2
    factors, pivots, _ = lapack.zgetrf(held - shift * np.eye(size))
    inverse = LinearOperator(
        (size, size), lambda x: lapack.zgetrs(factors, pivots, x)[0], dtype=complex
    )
    margin = max(high / low, LEAST_MARGIN)
    from_k, to_k = low / margin, high * margin
    rigid = np.sqrt(treated.reduced.modes.squared)
    count = int(((rigid > from_k) & (rigid < to_k)).sum()) + SPARE
    start = np.random.default_rng(0).standard_normal(size).astype(complex)
    while True:
        if count > size // 3:
            squared, vectors = scipy.linalg.eig(held, check_finite=False)
            break
        squared, vectors = eigs(
            LinearOperator((size, size), lambda x: held @ x, dtype=complex),
            count,
            sigma=shift,
            OPinv=inverse,
            v0=start,
            tol=ARPACK_TOLERANCE,
        )
        # What was found lies nearest the shift: complete as far as the farthest.
        if np.abs(squared - shift).max() > to_k**2 - shift:
            break
        count = int(1.3 * count) + 1
    k0 = np.sqrt(squared.astype(np.complex128))
    near = np.flatnonzero((k0.real > from_k) & (k0.real < to_k))
    near = near[np.argsort(k0[near].real)]
    return k0[near], np.asarray(vectors[:, near])


def _newton(
    treated: Treated,
    stiffness: Complex,
    mass: Complex,
    groups: Complex,
    k: complex,
    shape: Complex,
) -> tuple[complex, Complex]:
    """Inverse iteration with a changing matrix: k -= 1 / (w T(k)^-1 T'(k) v)."""
    weight = shape.conj() / np.linalg.norm(shape)
    shape = shape / (weight @ shape)
    for _ in range(STEPS):
        weights = treated.weights_at(np.array([k]))[:, 0]
        full = stiffness + np.tensordot(weights, groups, 1) - k * k * mass
        slope = np.tensordot(treated.powers / k * weights, groups, 1) - 2 * k * mass
        try:
            step = np.linalg.solve(full, slope @ shape)
        except np.linalg.LinAlgError:
            break  # singular to the last bit: this is the mode
        change = 1 / (weight @ step)
        shape = step * change
        k -= change
        if abs(change) < CLOSE * abs(k):
            break
    return complex(k), shape
