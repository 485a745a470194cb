"""Many verdicts at once: the false discovery rate holds where single verdicts would mislead."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student_t

from raysim.estimate import Estimate
from raysim.quantities.differences import Difference
from raysim.quantities.ranges import Spread
from raysim.quantities.verdicts import (
    FALSE_DISCOVERY_RATE,
    LEVEL,
    UNSURE,
    judge,
    level_of,
    p_values,
)

BATCHES, COLUMNS, RUNS = 32, 40, 2000
STEP_DB = 1.0  # of G


def changes(change, error):
    """A Difference of G by column."""
    change, error = np.atleast_2d(change), np.atleast_2d(error)
    why = np.full(change.shape, "", dtype=object)
    columns = tuple(str(c) for c in range(change.shape[1]))

    def one(value, standard_error):
        return Estimate(value, standard_error, BATCHES, why)

    zero = np.zeros_like(change)
    return Difference(
        "G", "G", "dB", ("here",), columns, one(zero, zero), one(change, error), one(change, error)
    )


def drawn(random, truth, error=0.05):
    """Estimates about the truth, with standard errors from batches."""
    freedom = BATCHES - 1
    found = truth + error * random.standard_normal(len(truth))
    return changes(found, error * np.sqrt(random.chisquare(freedom, len(truth)) / freedom))


def test_the_published_example():
    """Benjamini and Hochberg 1995, section 3.2 (from memory): of 15 chances 4 are found."""
    chances = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
    chances += [0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    level, count = level_of([np.array(chances[:7]), np.array([*chances[7:], np.nan])])
    assert count == 15
    assert level == pytest.approx(1 - 0.05 * 4 / 15)
    assert sum(chance <= 1 - level for chance in chances) == 4


def test_nothing_found_asks_for_a_share_of_the_rate_and_all_found_for_the_rate():
    assert level_of([np.full(10, 0.5)]) == (pytest.approx(0.995), 10)
    assert level_of([np.full(10, 1e-6)]) == (pytest.approx(LEVEL), 10)
    assert level_of([np.full(3, np.nan)]) == (LEVEL, 0)


def test_a_chance_and_the_interval_say_the_same():
    """Of 400 random changes, with and without what the inputs leave open."""
    random = np.random.default_rng(4)
    one = changes(random.normal(0, 2, 400), random.gamma(2, 0.3, 400))
    spread = Spread(random.gamma(1, 0.1, 400), random.gamma(1, 0.1, 400), ("stuff",) * 400)
    for room in (None, spread):
        chances = p_values(one, room)[0]
        for level in (0.9, 0.95, 0.999):
            words = [verdict.word for verdict in judge(one, [None] * 400, room, level)[0]]
            claims = np.array([word != UNSURE for word in words])
            # One that is within the step on its near side may still reach the far one.
            near = np.abs(one.change.value[0]) < STEP_DB
            differs = claims != (chances <= 1 - level)
            assert not (differs & ~near).any()
            assert (chances[differs] <= 1 - level).all()
            assert 20 < claims.sum() < 380


def test_all_changes_at_the_step_mislead_one_time_in_twenty_not_nearly_always():
    """40 true changes of exactly the step: any claim is wrong.

    Of 2000 comparisons at most 5 % may hold one; 6.5 % would be three standard errors more.
    Negative control: single verdicts mislead in more than half of all comparisons.
    """
    random = np.random.default_rng(11)
    wrong, single = 0, 0
    for _ in range(RUNS):
        chances = p_values(drawn(random, np.full(COLUMNS, STEP_DB)), None)
        level, _ = level_of([chances])
        wrong += bool((chances <= 1 - level).any())
        single += bool((chances <= FALSE_DISCOVERY_RATE).any())
    assert wrong / RUNS < 0.065
    assert single / RUNS > 0.5


def test_among_true_changes_few_claims_are_wrong_and_the_true_ones_are_found():
    """20 changes at the step, 20 far beyond: at most 5 % of all claims are wrong, 19 in 20 found.

    Wrong shares of 500 comparisons have a standard error of 0.2 %.
    """
    random = np.random.default_rng(12)
    truth = np.r_[np.full(20, STEP_DB), np.full(20, STEP_DB + 0.25)]
    shares, found = [], []
    for _ in range(500):
        chances = p_values(drawn(random, truth), None)[0]
        level, _ = level_of([chances])
        claims = chances <= 1 - level
        shares.append(claims[:20].sum() / max(claims.sum(), 1))
        found.append(claims[20:].mean())
    assert np.mean(shares) < 0.05
    assert np.mean(found) > 0.95
    assert student_t.ppf(0.975, BATCHES - 1) * 0.05 < 0.25
