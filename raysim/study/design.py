"""Designs: which values the factors of a study have in each of its points."""

from __future__ import annotations

import itertools
import json
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from raysim.study.paths import Path

KINDS = ("grid", "list", "random", "low-discrepancy")


@dataclass(frozen=True)
class Factor:
    """Something in the scene that a study changes.

    Attributes
    ----------
    name : str
    paths : tuple of tuple of str
        Places in the scene that get the value.
    values : tuple
        Levels; empty for a range and for the free values of a list.
    labels : tuple of str
        One a level.
    limits : (low, high) or None
        Of a range.
    """

    name: str
    paths: tuple[Path, ...]
    values: tuple[Any, ...] = ()
    labels: tuple[str, ...] = ()
    limits: tuple[float, float] | None = None

    def label_of(self, value: Any) -> str:
        """How a value is called in tables."""
        for level, label in zip(self.values, self.labels, strict=True):
            if level == value:
                return label
        return shown(value)


Point = tuple[Any, ...]
"""Values of the factors, in their order."""


def shown(value: Any) -> str:
    """A value of a scene file as short text."""
    if isinstance(value, str):
        return value
    if isinstance(value, list) and value and all(isinstance(item, str) for item in value):
        return " + ".join(value)
    return json.dumps(value, ensure_ascii=False)


def grid(factors: Sequence[Factor]) -> list[Point]:
    """Every combination of the levels; the last factor changes fastest."""
    return list(itertools.product(*(factor.values for factor in factors)))


def random(factors: Sequence[Factor], count: int, seed: int) -> list[Point]:
    """Independent points, uniform over each factor's levels or range."""
    uniform = np.random.default_rng(seed).random((count, len(factors)))
    return _scaled(factors, uniform)


def low_discrepancy(factors: Sequence[Factor], count: int, seed: int) -> list[Point]:
    """Scrambled Sobol points (Sobol' 1967, Owen 1998): even over all factors at once.

    Every factor is covered evenly by any number of points, best by a power of 2.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # other counts are only less balanced
        uniform = qmc.Sobol(len(factors), scramble=True, seed=seed).random(count)
    return _scaled(factors, uniform)


def _scaled(factors: Sequence[Factor], uniform: NDArray[np.float64]) -> list[Point]:
    columns = [_levels(factor, column) for factor, column in zip(factors, uniform.T, strict=True)]
    return list(zip(*columns, strict=True))


def _levels(factor: Factor, uniform: NDArray[np.float64]) -> list[Any]:
    if factor.limits is None:
        return [factor.values[int(u * len(factor.values))] for u in uniform]
    low, high = factor.limits
    return [float(low + (high - low) * u) for u in uniform]
