"""Plans of small rooms against every other choice, and against themselves without a member."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from raysim.plan.aim import Weights
from raysim.plan.catalogue import Limits
from raysim.plan.choose import SURE, Candidate, Caps, Search
from raysim.plan.conduct import make_plan
from raysim.plan.measure import Bench
from raysim.plan.places import in_the_way, survey
from tests.planned import catalogue, room_text, workshop

ROOMS = ((3.6, 2.8), (4.4, 3.0), (3.2, 3.2))
RAYS = 8192


@pytest.mark.slow
@pytest.mark.parametrize("size", ROOMS)
def test_six_candidates_choose_two_equals_brute_force(tmp_path, size):
    shop = workshop(tmp_path, room_text(*size))
    sites = survey(shop, catalogue(tmp_path).items, Limits()).sites
    chosen = [sites[k] for k in np.linspace(0, len(sites) - 1, 6).astype(int)]
    bench = Bench(shop, {s.name: s.pieces for s in chosen}, Weights(), RAYS, 1)
    blocked = in_the_way(chosen)
    candidates = [
        Candidate(s.name, "wool", 1.0, blocks=b) for s, b in zip(chosen, blocked, strict=True)
    ]
    names = [c.name for c in candidates]
    every = [frozenset(pair) for k in (0, 1, 2) for pair in combinations(names, k)]
    known = dict(zip(every, bench.outcomes(every), strict=True))

    def evaluate(sets):
        return [known[one] for one in sets]

    caps = Caps(budget=2.0)
    search = Search(candidates, caps, evaluate, is_exhaustive=False)
    best = min((one for one in every if search.is_feasible(one)), key=lambda one: known[one].off)
    found = search.run()
    gain, error = known[best].gain_over(known[found])
    assert found == best or gain <= error  # two that the trace can't tell apart
    assert Search(candidates, caps, evaluate).run() == best
    assert len(best) == 2


@pytest.mark.slow
def test_each_member_earns_its_place_on_other_random_numbers(tmp_path):
    shop = workshop(tmp_path, room_text())
    limits = Limits(budgets=(200.0,))
    plan = make_plan(shop, catalogue(tmp_path), limits, rays=RAYS, most=6)
    names = [step.site.name for step in plan.kept]
    assert len(names) >= 2
    assert all(loss > SURE * error for loss, error in plan.removal)
    fresh = Bench(shop, plan.bench.pieces, Weights(), RAYS, 77)
    whole = frozenset(names)
    with_all, *without = fresh.outcomes([whole, *(whole - {name} for name in names)])
    for one in without:
        loss, error = with_all.gain_over(one)
        assert loss > error


@pytest.mark.slow
def test_gain_is_that_of_an_independent_run_within_its_error(tmp_path):
    """Two seeds; each gain differs by less than 4 combined errors (false alarms: 1 in 10^4)."""
    shop = workshop(tmp_path, room_text())
    sites = survey(shop, catalogue(tmp_path).items, Limits()).sites[:3]
    pieces = {s.name: s.pieces for s in sites}
    gains = []
    for seed in (1, 2):
        bench = Bench(shop, pieces, Weights(), RAYS, seed)
        base, *more = bench.outcomes([frozenset(), *(frozenset({s.name}) for s in sites)])
        gains.append([one.gain_over(base) for one in more])
    for one, other in zip(*gains, strict=True):
        assert abs(one[0] - other[0]) < 4 * np.hypot(one[1], other[1])
