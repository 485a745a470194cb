"""Standard errors by the jackknife: intervals must cover as often as they say."""

import numpy as np
import pytest
from scipy.stats import t as student_t

from raysim.estimate import jackknife
from raysim.theory import decay
from tests.results_made import exponential_energy

RUNS, BATCHES, BINS, BIN_S, TIME_S = 1000, 32, 150, 0.002, 0.25

QUANTITIES = {
    "T20": (lambda e: decay.decay_time(e, BIN_S, -5, -25), TIME_S),
    "EDT": (lambda e: decay.decay_time(e, BIN_S, 0, -10), TIME_S),
    "C50": (
        lambda e: decay.clarity(e, BIN_S, 0.05),
        10 * np.log10(np.exp(0.05 * 6 * np.log(10) / TIME_S) - 1),
    ),
    "G": (decay.strength_db, 0.0),
}


@pytest.fixture(scope="module")
def batches():
    """(batch, run, time): exponential decays whose bins come in bursts, as rays do.

    Each batch's noise is a product of a slow and a fast part, so bins of a batch are correlated.
    """
    rng = np.random.default_rng(7)
    fast = rng.gamma(2.0, 0.5, (BATCHES, RUNS, BINS))
    slow = np.repeat(rng.gamma(25.0, 0.04, (BATCHES, RUNS, BINS // 10)), 10, axis=-1)
    return exponential_energy(TIME_S, BIN_S, BINS) * fast * slow


def coverage(evaluate, truth, batches, shrink=1.0):
    value, error = jackknife(evaluate, batches)
    half = student_t.ppf(0.975, BATCHES - 1) * error * shrink
    return float(np.mean(np.abs(value - truth) <= half))


@pytest.mark.parametrize("key", QUANTITIES)
def test_intervals_cover(key, batches):
    """95 % intervals cover in 1000 runs as often as chance allows.

    Four quantities share a level of 1 %: 3.0 binomial standard errors of 0.69 %, so 2.1 %. That
    shows standard errors more than 9 % too small.
    """
    evaluate, truth = QUANTITIES[key]
    assert coverage(evaluate, truth, batches) == pytest.approx(0.95, abs=0.021)


@pytest.mark.parametrize("key", QUANTITIES)
def test_too_narrow_intervals_are_caught(key, batches):
    """Negative control: standard errors 20 % too small fail the same test."""
    evaluate, truth = QUANTITIES[key]
    assert coverage(evaluate, truth, batches, shrink=0.8) < 0.95 - 0.021
