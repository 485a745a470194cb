"""The exponential function of sixteen numbers at once."""

from __future__ import annotations

from math import factorial

import numpy as np

from raysim.kernels.compiled import inlined
from raysim.kernels.lanes import greater, recast, spread

LEAST = -708.0  # below it results would be denormal
PER_LN_2 = 1.4426950408889634
LN_2, LN_2_REST = 0.693147180369123816, 1.90821492927058770e-10  # the first with 32 bits
TO_WHOLE = 1.5 * 2.0**52  # added, it leaves a whole number in the lowest bits
BIAS, TO_EXPONENT = np.uint64(1023), np.uint64(1 << 52)
SERIES = tuple(1.0 / factorial(k) for k in range(13, -1, -1))


@inlined
def exponential(x):  # type: ignore[no-untyped-def]
    """Exponential of numbers up to 0; below LEAST that of LEAST.

    x = k ln 2 + r, |r| <= ln 2 / 2: a power series to the 13th power, and k into the exponent.
    """
    x = greater(x, spread(LEAST))
    shifted = x * PER_LN_2 + TO_WHOLE
    k = shifted - TO_WHOLE
    r = (x - k * LN_2) - k * LN_2_REST
    total = spread(SERIES[0])
    for term in SERIES[1:]:
        total = total * r + term
    return total * recast((recast(shifted) + BIAS) * TO_EXPONENT)
