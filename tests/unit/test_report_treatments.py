"""Drawings of treatments: panels where the numbers say, dimensions from corner and floor."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.patches import Rectangle

from raysim.report import style
from raysim.report.treatments import draw_treated_plan, draw_treated_surface, treated_facets
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


def test_wall_shows_its_panel_from_the_nearer_corner_and_the_floor(scene):
    variant = scene.variants[1]
    facets = treated_facets(scene, variant)
    assert [scene.facets[k].name for k in facets] == ["rear", "left"]
    with style.drawing():
        figure = draw_treated_surface(scene, variant, facets[1])
    rectangles = {
        tuple(np.round((*r.get_xy(), r.get_width(), r.get_height()), 6))
        for r in figure.axes[0].patches
        if isinstance(r, Rectangle)
    }
    assert rectangles == {(2.78, 0.6, 0.6, 1.2)}
    assert [t for t in texts(figure) if "cm" in t] == ["60 cm", "82 cm", "60 cm", "120 cm"]
    assert "p" in texts(figure)


def test_grid_of_tiles_is_dimensioned_as_one(scene):
    variant = scene.variants[1]
    with style.drawing():
        figure = draw_treated_surface(scene, variant, treated_facets(scene, variant)[0])
    assert [t for t in texts(figure) if "cm" in t] == ["150 cm", "90 cm", "30 cm", "80 cm"]
    assert "foam: 6" in texts(figure)


def test_plan_shows_depth_and_names(scene):
    with style.drawing():
        figure = draw_treated_plan(scene, scene.variants[1])
        base = draw_treated_plan(scene, scene.variants[0])
    assert {"p", "foam"} <= set(texts(figure))
    extra = len(figure.axes[0].patches) - len(base.axes[0].patches)
    assert extra == len(scene.treatments)
