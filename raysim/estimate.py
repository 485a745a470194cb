"""A number with its standard error, from independent batches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Estimate:
    """Value and standard error, elementwise.

    Attributes
    ----------
    value : (...) float
        NaN where undefined.
    standard_error : (...) float
        Of `value`, from batches; NaN where undefined.
    batches : int
        Number of independent batches behind the standard error.
    reason : (...) str
        Why an element is undefined; empty where it is defined.
    """

    value: Array
    standard_error: Array
    batches: int
    reason: NDArray[np.str_]

    def interval(self, level: float = 0.95) -> tuple[Array, Array]:
        """Two-sided confidence interval at `level` (Student t, batches - 1 degrees of freedom)."""
        half = stdtrit(self.batches - 1, 0.5 + level / 2) * self.standard_error
        return self.value - half, self.value + half


def jackknife(
    evaluate: Callable[[Array], Array], batches: Array, elementwise: bool = False
) -> tuple[Array, Array]:
    """Value and standard error of a function of the mean over batches.

    Delete-one jackknife (Quenouille 1956, Tukey 1958):
    se^2 = (B-1)/B * sum_i (f(mean without i) - mean of those)^2.

    Parameters
    ----------
    evaluate : callable
        Maps an averaged array (...) to an array of values (may hold NaN).
    batches : (batch, ...) float
    elementwise : bool
        `evaluate` takes any leading axes: one call does instead of one for each batch.

    Returns
    -------
    value, standard_error : arrays as `evaluate` returns
    """
    value, left_out = leave_one_out(evaluate, batches, elementwise)
    return value, jackknife_error(left_out)


def leave_one_out(
    evaluate: Callable[[Array], Array], batches: Array, elementwise: bool = False
) -> tuple[Array, Array]:
    """Value of a function of the mean over batches, and its values without each batch in turn.

    Parameters
    ----------
    evaluate, batches, elementwise
        As in `jackknife`.

    Returns
    -------
    value : array as `evaluate` returns
    left_out : (batch, ...) float
    """
    count = len(batches)
    mean = batches.mean(axis=0)
    value = np.asarray(evaluate(mean))
    if elementwise:
        return value, np.asarray(evaluate((count * mean - batches) / (count - 1)))
    return value, np.stack([evaluate((count * mean - one) / (count - 1)) for one in batches])


def jackknife_error(left_out: Array) -> Array:
    """Standard error from the values (batch, ...) that `leave_one_out` gives.

    Of the difference of two functions of the same batches if given the difference of theirs.
    """
    count = len(left_out)
    spread = left_out - left_out.mean(axis=0)
    return np.asarray(np.sqrt((count - 1) / count * (spread**2).sum(axis=0)))
