"""Rectangles that the head zone needs, against similar triangles; shares and shadows by hand."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from raysim.quantities.coverage import find_coverage, find_needs, mirror_points, shadow
from raysim.scene.data import Treatment, Variant
from tests.report_made import result, scene

SOURCES_M = {0: (1.10, 0.60, 1.20), 1: (2.30, 0.60, 1.20)}
SEAT_M = (1.70, 1.64, 1.20)
REACH_M = 0.15
BOTH = (0, 1)


def hung(rect, facet=0, name="panel", corners=None):
    return Treatment(
        name=name, section=name, kind="panel", facet=facet, rect=rect, thickness_m=0.1, gap_m=0.0,
        material=1, fixing="drilled", cost=None, weight_kg=None, phase=1, owned=False, where="",
        corners=np.zeros((8, 3)) if corners is None else corners,
    )  # fmt: skip


def with_panel(treatment, level_db=-20.0):
    """The invented bedroom bare and treated; each path off the left wall keeps `level_db`."""
    room = replace(
        scene(),
        treatments=(treatment,),
        variants=(Variant("base"), Variant("treated", (0,))),
    )
    bare = result(room)
    again = [
        replace(path, variant=1, level_db=np.full_like(path.level_db, level_db))
        if path.facets == (0,)
        else replace(path, variant=1)
        for path in bare.reflections
    ]
    return replace(
        bare,
        variants=("base", "treated"),
        energy_batches=np.repeat(bare.energy_batches, 2, axis=1),
        reflections=(*bare.reflections, *again),
    )


def in_room(facet, rect):
    """Lowest and highest point of a rectangle of a facet, m."""
    ends = np.array(rect).reshape(2, 2)
    points = facet.origin + np.outer(ends[:, 0], facet.u) + np.outer(ends[:, 1], facet.v)
    return points.min(axis=0), points.max(axis=0)


def on_left(y0, z0, y1, z1):
    """Rectangle of the left wall between two points (y, z), in its frame."""
    facet = scene().facets[0]
    ends = facet.to_plane(np.array([[0, y0, z0], [0, y1, z1]]))
    return (*ends.min(axis=0).tolist(), *ends.max(axis=0).tolist())


def similar_triangles(sources):
    """Rectangle (y, z) of the left wall, x = 0, for all corners of the zone."""
    places = []
    for x_s, y_s, z_s in (SOURCES_M[s] for s in sources):
        for corner in np.ndindex(2, 2, 2):
            x, y, z = np.array(SEAT_M) + REACH_M * (2 * np.array(corner) - 1)
            places.append((np.array([y_s, z_s]) * x + np.array([y, z]) * x_s) / (x + x_s))
    return np.min(places, axis=0), np.max(places, axis=0)


@pytest.mark.parametrize("sources", [(0,), (1,), BOTH])
def test_rectangles_of_the_left_wall_are_those_of_similar_triangles(sources):
    room = scene()
    (need,) = (n for n in find_needs(result(room)) if n.facet == 0 and n.sources == sources)
    low, high = in_room(room.facets[0], need.rect)
    expected_low, expected_high = similar_triangles(sources)
    np.testing.assert_allclose(low[1:], expected_low, atol=1e-9)
    np.testing.assert_allclose(high[1:], expected_high, atol=1e-9)


def test_printed_digits_of_the_left_wall():
    """Own exact images: along the wall 0.93 to 1.31 m serve both sources; up it 1.14 to 1.26 m
    serve the near source alone, the far one needs 1.11 to 1.29 m."""
    room = scene()
    found = {n.sources: n.rect for n in find_needs(result(room)) if n.facet == 0}
    low, high = in_room(room.facets[0], found[BOTH])
    assert (round(low[1], 2), round(high[1], 2)) == (0.93, 1.31)
    assert (round(low[2], 2), round(high[2], 2)) == (1.11, 1.29)
    low, high = in_room(room.facets[0], found[0,])
    assert (round(low[2], 2), round(high[2], 2)) == (1.14, 1.26)


def test_a_panel_of_60_cm_centred_at_112_cm_covers_both_and_what_remains_is_its_level():
    made = with_panel(hung(on_left(0.82, 0.9, 1.42, 1.5)))
    for one in find_coverage(made):
        if one.need.facet != 0:
            continue
        treated = one.variant == 1
        assert one.share == pytest.approx(1.0 if treated else 0.0, abs=1e-9)
        assert one.remaining_db == (-20.0 if treated else one.need.level_db)
        assert one.treatments == (("panel",) if treated else ())


def test_half_a_rectangle_is_half_covered_and_the_level_remains():
    low, high = similar_triangles((0,))
    made = with_panel(hung(on_left(0.5, 0.9, (low[0] + high[0]) / 2, 1.5)))
    (one,) = (
        c
        for c in find_coverage(made)
        if c.variant == 1 and c.need.facet == 0 and c.need.sources == (0,)
    )
    assert one.share == pytest.approx(0.5, abs=1e-9)
    assert one.remaining_db == one.need.level_db > -20.0


def test_what_remains_loudest_comes_first_in_each_variant():
    found = find_coverage(with_panel(hung(on_left(0.82, 0.9, 1.42, 1.5))))
    for variant in (0, 1):
        levels = [one.remaining_db for one in found if one.variant == variant]
        assert levels == sorted(levels, reverse=True)
    assert len({one.variant for one in found}) == 2


def test_a_cloud_covers_what_its_shadow_covers():
    """A square of 0.6 m half way between eye and ceiling hides a square of 1.2 m."""
    room = scene()
    ceiling = next(f for f in room.facets if f.name == "ceiling")
    eye = np.array([1.7, 1.6, 0.4])
    flat = np.array([[1.4, 1.3], [2.0, 1.3], [2.0, 1.9], [1.4, 1.9]])
    body = np.column_stack([flat, np.full(4, 1.4)])
    hidden = shadow(ceiling, eye, body)
    assert hidden.area == pytest.approx(1.44, rel=1e-9)
    assert hidden.contains(shapely.Point(ceiling.to_plane(np.array([2.29, 1.6, 2.4]))))
    assert shadow(ceiling, eye, body - [0, 0, 1.2]).is_empty


def test_sound_doesnt_reach_points_behind_a_facet():
    wall = scene().facets[0]
    points = np.array([SEAT_M, (-0.1, 1.0, 1.0), (0.0, 1.0, 1.0)])
    (met,) = mirror_points(wall, np.array(SOURCES_M[0]), points)
    assert met[0] == pytest.approx(0.0, abs=1e-12)  # it lies on the wall
