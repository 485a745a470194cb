"""Plans in which the bass takes part, against every other choice and against plans by rays."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from raysim.plan.aim import Weights
from raysim.plan.bass import BassBench
from raysim.plan.catalogue import Limits
from raysim.plan.choose import SURE, Candidate, Caps, Search
from raysim.plan.conduct import make_plan
from raysim.plan.measure import Bench
from raysim.plan.places import in_the_way, survey
from tests.planned import catalogue, room_text, workshop

GOODS = """\
[items.wool]
kind = "panel"
size = [0.6, 1.0]
layers = ["porous 100mm glass wool 40kg/m3"]
places = ["side walls"]
cost = 50
fixing = "glued"
[items.trap]
kind = "corner trap"
size = "45cm"
layers = ["membrane 1kg/m2", "porous 200mm 8000"]
cost = 50
"""
RAYS = 4096


@pytest.mark.slow
def test_six_candidates_choose_two_equals_brute_force(tmp_path):
    """Five pairs of panels and one of traps; every set is computed, and the search finds one."""
    shop = workshop(tmp_path, room_text())
    sites = survey(shop, catalogue(tmp_path, GOODS).items, Limits()).sites
    panels = [s for s in sites if s.item.name == "wool"]
    chosen = [panels[k] for k in np.linspace(0, len(panels) - 1, 5).astype(int)]
    chosen += [s for s in sites if s.item.name == "trap"][:1]
    pieces = {s.name: s.pieces for s in chosen}
    bench = Bench(shop, pieces, Weights(), RAYS, 1, bass=BassBench(shop, pieces))
    candidates = [
        Candidate(s.name, s.item.name, 1.0, blocks=b)
        for s, b in zip(chosen, in_the_way(chosen), strict=True)
    ]
    names = [c.name for c in candidates]
    every = [frozenset(pair) for k in (0, 1, 2) for pair in combinations(names, k)]
    caps = Caps(budget=2.0)
    feasible = [s for s in every if Search(candidates, caps, bench.outcomes).is_feasible(s)]
    known = dict(zip(feasible, bench.outcomes(feasible), strict=True))

    def evaluate(sets):
        return [known[one] for one in sets]

    best = min(feasible, key=lambda one: known[one].off)
    found = Search(candidates, caps, evaluate, is_exhaustive=False).run()
    gain, error = known[best].gain_over(known[found])
    assert found == best or gain <= error  # two that can't be told apart
    assert Search(candidates, caps, evaluate).run() == best
    assert len(best) == 2
    by_rays = {one: known[one].off - bass_off(bench, one) for one in feasible}
    assert min(feasible, key=by_rays.__getitem__) != best  # the bass had its say


def bass_off(bench, chosen):
    columns = bench.bass.columns
    return float(bench.bass.heard(chosen).off @ bench.by_column[-len(columns) :])


@pytest.mark.slow
def test_corner_traps_are_bought_for_the_bass_alone(tmp_path):
    """Traps with a closed face: the rays would rather have panels, the bass has traps."""
    shop, goods = workshop(tmp_path, room_text()), catalogue(tmp_path, GOODS)
    limits = Limits(budgets=(100.0,))
    bought = {}
    for with_bass in (False, True):
        plan = make_plan(shop, goods, limits, rays=RAYS, most=6, with_bass=with_bass)
        bought[with_bass] = {step.site.item.name for step in plan.kept}
        assert all(loss > SURE * error for loss, error in plan.removal)
        assert len(plan.kept) == 1
    assert bought == {False: {"wool"}, True: {"trap"}}
    before, after = plan.states[0], plan.states[plan.stop]
    for column, one, other in zip(plan.bench.columns, before.off, after.off, strict=True):
        if column.part in ("ringing", "levels"):
            assert other < one
