"""What a material's range leaves open, against Eyring's formula written out; and in words."""

from dataclasses import replace

import numpy as np
import pytest

from raysim.quantities.unknowns import find_unknowns
from raysim.report.unknown_words import unknown_words
from tests.rooms import shoebox


@pytest.fixture
def scene():
    made = shoebox((4.0, 3.0, 2.5), absorption={"floor": 0.3, "other": 0.1})
    ranged = [
        replace(
            m,
            absorption_low=m.absorption * (0.5 if m.absorption[0] > 0.2 else 1.0),
            absorption_high=m.absorption * (1.5 if m.absorption[0] > 0.2 else 1.0),
        )
        for m in made.materials
    ]
    return replace(made, materials=tuple(ranged))


def test_only_the_material_with_a_range_leaves_something_open(scene):
    """ln(1 - mean) of 12 m2 of 59 m2; air alike, so the lowest band is nearest to the ratio."""
    [one] = find_unknowns(scene)
    rest, floor, total = 47 * 0.1, 12.0, 59.0
    believed, low, high = (
        -np.log(1 - (rest + floor * alpha) / total) for alpha in (0.3, 0.15, 0.45)
    )
    assert one.longest == pytest.approx(believed / low, rel=0.01)
    assert one.shortest == pytest.approx(believed / high, rel=0.01)
    assert scene.materials[one.material].absorption[0] == 0.3


def test_words_say_what_would_narrow_it(scene):
    [sentence] = unknown_words(scene)
    assert "% shorter to" in sentence
    assert "A measured decay in this room" in sentence
