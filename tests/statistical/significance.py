"""One rule for all statistical tests of this folder.

All p-values of the folder together raise a false alarm with probability FAMILY_LEVEL at most:
each is judged at 1 - (1 - FAMILY_LEVEL)^(1/n), n the number of p-values (Sidak 1967). Seeds are
fixed, so a test that passes passes always; the level says how surprising a failure after a
change of the random numbers is.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2, t

FAMILY_LEVEL = 0.01
P_VALUES = {
    "lambert box decay": 5,
    "lambert sphere decay": 2,
    "lambert box histogram": 1,
    "specular box bins": 4,
    "free paths": 7,
    "layered floor": 2,
    "maps": 6,
    "variants on one trace": 4,
    "known paths": 1,
    "sum over image orders": 10,
    "sum over image orders, long": 5,
    "bands walked alone": 1,
    "air alone": 1,
    "white furnace": 2,
    "exchange": 1,
    "turned and shifted": 1,
    "loudspeaker in the white furnace": 2,
    "loudspeaker over image orders": 1,
}


def level() -> float:
    """Significance level of one p-value."""
    return 1 - (1 - FAMILY_LEVEL) ** (1 / sum(P_VALUES.values()))


def is_rejected(p: float) -> bool:
    """Whether a p-value speaks against the hypothesis at the level of one test."""
    return p < level()


def assert_p_value(check: str, p: float, table: str = "") -> None:
    """Fail where a p-value of a registered check is too small; `table` goes into the message."""
    assert check in P_VALUES, f"add '{check}' to P_VALUES with the number of its p-values"
    assert not is_rejected(p), f"{check}: p = {p:.2e} below {level():.2e}\n{table}"


def p_of_z(z: float, batches: int) -> float:
    """Two-sided p of a deviation in standard errors that come from `batches` batches."""
    return float(2 * t.sf(abs(z), batches - 1))


def p_of_largest(z: np.ndarray, batches: int) -> float:
    """P of the largest of many deviations, Sidak over their number."""
    single = 2 * t.sf(np.nanmax(np.abs(z)), batches - 1)
    return float(-np.expm1(np.isfinite(z).sum() * np.log1p(-min(single, 1 - 1e-16))))


def p_of_chi_square(z: np.ndarray, batches: int) -> float:
    """P of the sum of squares of independent deviations.

    A squared t variable has mean n/(n-2) and variance 2 n^2 (n-1)/((n-2)^2 (n-4)) at n degrees of
    freedom; the sum is scaled to the chi-square of equal mean and variance.
    """
    free = batches - 1
    mean = free / (free - 2)
    variance = 2 * free**2 * (free - 1) / ((free - 2) ** 2 * (free - 4))
    count = np.isfinite(z).sum()
    scale = variance / (2 * mean)
    return float(chi2.sf(np.nansum(z**2) / scale, count * mean / scale))


def deviations(batches: np.ndarray, expected: np.ndarray) -> np.ndarray:
    """(expected's shape) z of the batch mean, batches (batch, ...)."""
    error = batches.std(axis=0, ddof=1) / np.sqrt(len(batches))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(error > 0, (batches.mean(axis=0) - expected) / error, np.nan)
