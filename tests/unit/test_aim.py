"""Where rays search."""

import numpy as np
from scipy.stats import chi2

from raysim.solvers.aim import EVENLY, SECTORS, STRIPS, Aim, draw


def test_numbers_fall_into_places_by_their_shares():
    """Rows of their own; where in a place a number falls is even, and both rise with it."""
    shares = np.array([[0.5, 0.0, 0.5], [0.1, 0.2, 0.7]])
    u = (np.arange(1000) + 0.5) / 1000
    for row, own in enumerate(shares):
        place, inside = draw(shares, np.full(1000, row), u)
        np.testing.assert_allclose(np.bincount(place, minlength=3) / 1000, own, atol=1e-3)
        assert (np.diff(place + inside) > 0).all()
        of_last = inside[place == 2]
        np.testing.assert_allclose(of_last, (np.arange(len(of_last)) + 0.5) / len(of_last))


def test_the_first_rays_go_everywhere():
    """As many into each of 64 cells of equal area, within one in ten."""
    places = Aim(3, 0, 0.02).places(8192)
    counts, _, _ = np.histogram2d(*places[:, :2].T, bins=8, range=[[0, 1], [0, 1]])
    assert np.abs(counts / 128 - 1).max() < 0.1


def test_rays_go_where_earlier_ones_came_far():
    """Four times as far in an eighth of the directions: all but those that go everywhere."""
    aim = Aim(3, 0, 0.02)
    for _ in range(2):
        places = aim.places(16384)
        far = np.abs(places[:, 0] - 0.5) < 1 / 16
        aim.learn(np.where(far, 40.0, 10.0))
    np.testing.assert_allclose(far.mean(), 1 - EVENLY * 7 / 8, atol=0.01)


def test_what_comes_equally_far_everywhere_is_searched_evenly():
    """Cells of a thousandth of the sphere by chi square, false alarm 1e-3 at most.

    A low-discrepancy set is more even than chance. Negative control: what came less far below.
    """
    alike, unlike = Aim(5, 0, 0.02), Aim(5, 0, 0.02)
    for _ in range(2):
        even = alike.places(32768)
        alike.learn(np.full(32768, 12.0))
        uneven = unlike.places(32768)
        unlike.learn(np.where(uneven[:, 0] < 0.5, 12.0, 11.0))
    for places, is_even in ((even, True), (uneven, False)):
        bins, limits = (STRIPS // 2, SECTORS), [[0, 1], [0, 1]]
        counts, _, _ = np.histogram2d(*places[:, :2].T, bins=bins, range=limits)
        statistic = ((counts - counts.mean()) ** 2 / counts.mean()).sum()
        assert (statistic < chi2.isf(1e-3, counts.size - 1)) == is_even
