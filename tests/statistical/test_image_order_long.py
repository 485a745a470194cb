"""The control room's sum at every image order, at the precision asked of it."""

import numpy as np
import pytest

from raysim.settings import BATCHES, Settings
from raysim.solvers.run import run
from tests.statistical.significance import assert_p_value, p_of_largest
from tests.statistical.test_image_order import (
    difference,
    mean_and_error,
    scattering_rises,
    totals,
)

LOW = slice(0, 3)  # 125 to 500 Hz, where the error of these many rays is below 0.3 %
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def sums():
    """Total energy (batch, band) of the first 40 ms, independent runs of orders 0 to 4."""
    scene = scattering_rises()
    settings = {"rays": 1_500_000, "duration_s": 0.04}
    return [
        totals(run(scene, Settings(seed=131 + order, image_order=order, **settings)))[:, LOW]
        for order in range(5)
    ]


def test_standard_errors_are_below_0_3_percent(sums):
    """Apart from the comparison, so that too few rays cannot pass for the known difference."""
    for batches in sums:
        mean, error = mean_and_error(batches)
        assert np.all(error < 0.003 * mean)


@pytest.mark.xfail(
    strict=True,
    reason="an edge hides part of the receiver sphere: at 0.25 m and 125 Hz order 0 is 4.2 % and "
    "order 1 1.2 % above the mean of orders 2 to 4, order 4 1.3 % below that of 1 to 3",
)
def test_sum_is_that_of_any_image_order_to_0_3_percent(sums):
    """Each order against the mean of the others. In a box, without such edges, they agree."""
    for order, own in enumerate(sums):
        others = [batches for k, batches in enumerate(sums) if k != order]
        z = difference(own, sum(others) / len(others))
        p = p_of_largest(z, 2 * BATCHES - 1)
        assert_p_value("sum over image orders, long", p, f"order {order}: {z}")
