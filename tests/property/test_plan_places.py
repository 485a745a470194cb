"""A plan never lays anything over what must stay clear: geometry of 500 random rooms."""

from __future__ import annotations

import numpy as np
import pytest

from raysim.plan.catalogue import Item, Limits
from raysim.plan.places import survey
from tests.planned import room_text, workshop

ROOMS = 500
WALLS = {"front": "front wall", "rear": "rear wall", "left": "side walls", "right": "side walls"}
REASONS = ("door", "fire exit", "smoke detector", "air vent")
ZONE = """
[keep_clear.zone{k}]
on = "{wall}"
at = [{u}, {v}]
size = [{width}, {height}]
reason = "{reason}"
"""


def box_of_zone(wall, u, v, width, height, length_m, width_m):
    """Low and high corners of a zone on a wall of a box room, a sheet without depth.

    From the left edge of a wall as seen from inside: x grows to the right of one who faces the
    front wall, at y = 0.
    """
    low, high = {
        "front": ((u, 0.0), (u + width, 0.0)),
        "rear": ((width_m - u - width, length_m), (width_m - u, length_m)),
        "left": ((0.0, length_m - u - width), (0.0, length_m - u)),
        "right": ((width_m, u), (width_m, u + width)),
    }[wall]
    return np.array([*low, v]), np.array([*high, v + height])


def random_room(random):
    """Text of a box with up to four hard zones, the zones as boxes, and a thing to put up."""
    length, width = (round(float(x), 2) for x in random.uniform((3.2, 2.6), (6.0, 4.5)))
    zones, texts = [], []
    for k in range(random.integers(1, 5)):
        wall = str(random.choice(list(WALLS)))
        extent = width if wall in ("front", "rear") else length
        w, h = (round(float(x), 2) for x in random.uniform((0.2, 0.2), (1.4, 2.0)))
        u = round(float(random.uniform(0, extent - w)), 2)
        v = round(float(random.uniform(0, 2.4 - h)), 2)
        zones.append(box_of_zone(wall, u, v, w, h, length, width))
        reason = REASONS[k]
        texts.append(ZONE.format(k=k, wall=wall, u=u, v=v, width=w, height=h, reason=reason))
    size = tuple(round(float(x), 2) for x in random.uniform((0.5, 0.6), (1.2, 1.4)))
    fixing = str(random.choice(["standing", "drilled"]))
    place = str(random.choice(list(WALLS.values())))
    keys = {"fixing": fixing, "cost": 50.0, "material": "wall", "thickness": 0.05}
    item = Item("thing", "panel", size, keys, fixing, False, None, (place,), None, False)
    return room_text(length, width, "".join(texts)), zones, item


@pytest.mark.slow
def test_nothing_lies_over_a_hard_zone(tmp_path):
    random = np.random.default_rng(11)
    pieces = crossed = 0
    for number in range(ROOMS):
        text, zones, item = random_room(random)
        found = survey(workshop(tmp_path, text), [item], Limits())
        for site in found.sites:
            for piece in site.pieces:
                pieces += 1
                corners = piece.treatment.corners
                low, high = corners.min(axis=0), corners.max(axis=0)
                for zone_low, zone_high in zones:
                    # what hangs flat touches the wall: 3 mm of overlap along it count
                    over = np.minimum(high, zone_high) - np.maximum(low, zone_low)
                    crossed += bool(
                        (over > (-1e-9, -1e-9, 0.003)).all() and np.sort(over)[1] > 0.003
                    )
        assert not crossed, f"room {number}: {text}"
    assert pieces > 5 * ROOMS  # the rooms had places to go wrong in
