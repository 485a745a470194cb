"""Directions and random numbers by chi-square on equal cells, each with a negative control."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chisquare

from raysim.kernels.directions import lambert, start_direction
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec

LEVEL = 0.01 / 5  # five tests share a false-alarm rate of 1 %
DRAWS = 40_000


def cells(first: np.ndarray, second: np.ndarray) -> float:
    """p-value of two numbers, each uniform on [0, 1), over 8 x 8 equal cells."""
    counts = np.histogram2d(first, second, bins=8, range=[[0, 1], [0, 1]])[0]
    return float(chisquare(counts.ravel()).pvalue)


def angles(directions: np.ndarray) -> np.ndarray:
    return (np.arctan2(directions[:, 1], directions[:, 0]) / (2 * np.pi)) % 1


def streams(seed: int) -> list[np.uint64]:
    return [np.uint64(branch(np.uint64(seed), i)) for i in range(DRAWS)]


def numbers(seed: int, draw: int) -> np.ndarray:
    return np.array([uniform(stream, draw) for stream in streams(seed)])


def test_neighbouring_draws_of_neighbouring_rays_are_independent() -> None:
    first, second = numbers(5, 0), numbers(5, 1)
    assert cells(first, second) > LEVEL
    assert cells(first[:-1], first[1:]) > LEVEL
    assert cells(first, np.sqrt(second)) < LEVEL  # negative control


def test_lambert_density_is_the_cosine_over_pi() -> None:
    """cos^2(theta) is uniform; detects a cosine to the power 1.1 in place of 1."""
    normal = Vec(0.0, 0.0, 1.0)
    u, v = numbers(6, 0), numbers(6, 1)
    d = np.array([lambert(normal, a, b) for a, b in zip(u, v, strict=True)])
    assert cells(d[:, 2] ** 2, angles(d)) > LEVEL
    assert cells(d[:, 2] ** 2.2, angles(d)) < LEVEL  # negative control


def test_start_directions_are_uniform_over_the_sphere_at_any_index() -> None:
    """Over many random shifts, for one fixed index; the set itself is more even than chance."""
    d = np.array([start_direction(stream, 17) for stream in streams(9)])
    assert cells((d[:, 2] + 1) / 2, angles(d)) > LEVEL
    assert cells(((d[:, 2] + 1) / 2) ** 1.1, angles(d)) < LEVEL  # negative control
    within = np.array([start_direction(np.uint64(9), i) for i in range(DRAWS)])
    assert cells((within[:, 2] + 1) / 2, angles(within)) == pytest.approx(1.0, abs=1e-6)
