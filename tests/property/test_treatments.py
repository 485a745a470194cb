"""Wherever a treatment may go, it lies on its surface, and is covered once in every variant."""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as some
from shapely.geometry import Polygon, box

from raysim.errors import SceneError
from raysim.scene.variants import covers_of, groups_of, scene_of
from tests.treated import bedroom, panel

WALLS = ("left", "right", "front", "rear", "ceiling")
PLACES = some.tuples(
    some.sampled_from(WALLS),
    some.integers(0, 260),
    some.integers(0, 120),
)
TRAP = '[treatments.trap]\nkind = "corner trap"\non = ["{}", "{}"]\nsize = 0.3\nmaterial = "wool"\n'
CORNERS = (("left", "rear"), ("left", "front"), ("right", "front"))


@settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(places=some.lists(PLACES, min_size=1, max_size=3), corner=some.sampled_from(CORNERS))
def test_what_is_accepted_lies_on_its_facet_with_its_whole_area(places, corner, tmp_path):
    more = "".join(
        panel(f"p{k}", on, f"[{u / 100}, {v / 100}]") for k, (on, u, v) in enumerate(places)
    )
    names = [f"p{k}" for k in range(len(places))]
    more += TRAP.format(*corner)
    more += f"[variants.all]\ntreatments = {names}\n"
    more += f"[variants.some]\ntreatments = {names[:1]}\n"
    more += f"[variants.trap]\ntreatments = {[*names[:1], 'trap']}\n"
    try:
        scene = bedroom(tmp_path, more)
    except SceneError:
        assume(False)  # too many of these fail the test
    for treatment in scene.treatments:
        if treatment.is_object:
            continue
        facet = scene.facets[treatment.facet]
        area = Polygon(facet.outline[0], facet.outline[1:]).buffer(1e-6)
        assert area.covers(box(*treatment.rect))
        assert abs(treatment.area_m2 - 0.72) < 1e-9
    for variant in scene.variants:
        there = scene_of(scene, variant)
        covered = 0.0
        for cover in covers_of(scene, variant):
            facet = there.facets[cover.facet]
            area = Polygon(facet.outline[0], facet.outline[1:])
            covered += area.intersection(box(*cover.rect)).area
        expected = sum(scene.treatments[k].area_m2 for k in variant.treatments)
        assert abs(covered - expected) < 1e-4
    grouped = [name for group in groups_of(scene) for name in group.variants]
    assert sorted(grouped) == sorted(v.name for v in scene.variants)
    for group in groups_of(scene):
        assert len(group.covers) == len(group.variants)
        np.testing.assert_array_equal(group.scene.mesh.facet.max() + 1, len(group.scene.facets))
