"""Pairs of a plan hang beside each other, never over each other."""

from itertools import combinations

import numpy as np
import pytest

from raysim.plan.catalogue import Item, Limits
from raysim.plan.places import survey
from tests.planned import room_text, workshop

KEYS = {"fixing": "drilled", "cost": 10.0, "material": "wall", "thickness": 0.05}


@pytest.mark.parametrize("place", ["front wall", "ceiling"])
def test_a_pair_does_not_overlap_itself(tmp_path, place):
    """Wide things before a wall 4.8 m wide, in a row whose middles are 0.76 m apart and less."""
    keys = KEYS | {"tiles": [2, 2]}
    item = Item("wide", "tiles", (0.5, 0.5), keys, "drilled", False, None, (place,), None, False)
    sites = survey(workshop(tmp_path, room_text(6.4, 4.8, "")), [item], Limits()).sites
    assert any(len(site.sections) == 2 for site in sites)
    for site in sites:
        for one, other in combinations([piece.treatment for piece in site.pieces], 2):
            low = np.maximum(one.corners.min(axis=0), other.corners.min(axis=0))
            high = np.minimum(one.corners.max(axis=0), other.corners.max(axis=0))
            assert (high - low).min() < 1e-6, site.name
