"""Treatments in plan."""

from __future__ import annotations

import pytest

from raysim.report import style
from raysim.report.treatments import draw_treated_plan
from tests.treated import bedroom, panel

TILES = (
    '[treatments.foam]\nkind = "tiles"\non = "rear"\nat = [1.0, 0.3]\nsize = [0.5, 0.4]\n'
    'tiles = [3, 2]\nlayers = ["porous 50mm foam 8000"]\n'
)


@pytest.fixture
def scene(tmp_path):
    return bedroom(tmp_path, panel("p", "left", '"1.12m from the front, 1.2m up"') + TILES)


def texts(figure):
    return [text.get_text() for text in figure.axes[0].texts]


def test_plan_shows_depth_and_names(scene):
    with style.drawing():
        figure = draw_treated_plan(scene, scene.variants[1])
        base = draw_treated_plan(scene, scene.variants[0])
    assert {"p", "foam"} <= set(texts(figure))
    extra = len(figure.axes[0].patches) - len(base.axes[0].patches)
    assert extra == len(scene.treatments)
