"""Where a list of things to buy should end: when all that follows can't be noticed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.estimate import jackknife_error

Array = NDArray[np.float64]
SURE = 2.0
NOTICEABLE = 1.0


def stop_after(
    off: Sequence[Array], left_out: Sequence[Array], method_error: Array | float = 0.0
) -> int:
    """After how many of a list the rest gains less than a noticeable step in every quantity.

    Parameters
    ----------
    off : (length + 1) of (columns,) float
        Noticeable steps off the aim after 0, 1, ... things of the list.
    left_out : (length + 1) of (batches, columns) float
        The same without each batch in turn.
    method_error : (columns,) float
        What the method leaves open of each difference beside the batches.

    Returns
    -------
    int
        The smallest number for which the gain of all the rest, and SURE standard errors more,
        stays below one step in each column.
    """
    last = len(off) - 1
    for number in range(last + 1):
        gain = off[number] - off[last]
        error = np.hypot(jackknife_error(left_out[number] - left_out[last]), method_error)
        if (gain + SURE * error < NOTICEABLE).all():
            return number
    return last
