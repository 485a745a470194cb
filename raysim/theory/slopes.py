"""How quantities of an energy-time histogram change with the energy in each of its bins."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raysim.theory.decay import EVALUATION_RANGES_DB, decay_curve, decay_level_db

Array = NDArray[np.float64]


def decay_time_slope(energy: ArrayLike, bin_s: float, quantity: str = "T20") -> Array:
    """Derivative of a decay time with respect to the energy in each bin, (..., time) s.

    With the points of the line held fixed: T = -60 bin/slope, slope = sum_j w_j L_j with
    w_j = (j - middle)/spread, L_j = 10 lg S_j, and S_j the energy from bin j on and in the
    estimated tail q = last^2 / (before - last). NaN where no line can be drawn.

    Parameters
    ----------
    energy : (..., time) float
    bin_s : float
    quantity : str
        'EDT', 'T20' or 'T30'.
    """
    energy = np.asarray(energy, dtype=np.float64)
    upper_db, lower_db = EVALUATION_RANGES_DB[quantity]
    level = decay_level_db(energy)
    within = (level <= upper_db) & (level >= lower_db)
    within[..., 0] = False
    edges = np.arange(energy.shape[-1], dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        points = within.sum(axis=-1, keepdims=True)
        middle = np.where(within, edges, 0.0).sum(axis=-1, keepdims=True) / points
        weight = np.where(within, edges - middle, 0.0)
        weight = weight / (weight**2).sum(axis=-1, keepdims=True)
        slope = (weight * level).sum(axis=-1, keepdims=True)
        each = weight * (10 / np.log(10)) / np.maximum(decay_curve(energy), 1e-300)
        through_bins = np.cumsum(each, axis=-1)
        through_tail = each.sum(axis=-1, keepdims=True) * _tail_slope(energy)
        change = (through_bins + through_tail) * 60.0 * bin_s / slope**2
    defined = np.isfinite(change).all(axis=-1, keepdims=True)
    return np.where(defined, change, np.nan)


def level_slope(energy: ArrayLike, first: int, last: int) -> Array:
    """Derivative of 10 lg of the energy in bins first to last - 1, (..., time) dB."""
    energy = np.asarray(energy, dtype=np.float64)
    window = energy[..., first:last].sum(axis=-1, keepdims=True)
    slope = np.zeros_like(energy)
    with np.errstate(divide="ignore"):
        slope[..., first:last] = (10 / np.log(10)) / window
    return slope


def _tail_slope(energy: Array) -> Array:
    """Derivative of `decay.missing_tail` with respect to each bin."""
    bins = energy.shape[-1]
    quarter = max(bins // 4, 1)
    last = energy[..., bins - quarter :].sum(axis=-1, keepdims=True)
    before = energy[..., max(bins - 2 * quarter, 0) : bins - quarter].sum(axis=-1, keepdims=True)
    slope = np.zeros_like(energy)
    apart = before - last
    slope[..., bins - quarter :] = (2 * last * apart + last**2) / apart**2
    slope[..., max(bins - 2 * quarter, 0) : bins - quarter] = -(last**2) / apart**2
    return slope
