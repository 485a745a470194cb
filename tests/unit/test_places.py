"""Places for absorbers: means against loops, what is known, what is kept clear, what is drawn."""

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from raysim.quantities import reverberation_time
from raysim.quantities.places import (
    PLACE_M,
    best_places,
    find_places,
    map_bands,
    mean_slopes,
    noticeable,
    smoothed,
)
from raysim.report.covering import covering
from raysim.report.maps import walls_that_matter
from raysim.report.style import diverging
from raysim.report.where_next import where_next
from raysim.scene.data import KeepClear
from tests.maps_made import SIDE_M, made, spot
from tests.report_made import result, scene

LEFT = 0


def test_the_value_of_a_square_is_the_mean_of_its_patches():
    random = np.random.default_rng(5)
    one = made(lambda points: random.standard_normal(len(points)), level_error=0.3)
    places, maps, patches = find_places(one), one.maps, mean_slopes(one)
    for i in random.choice(len(places.facet), 20):
        f, rect = places.facet[i], places.rect[i]
        inside = []
        for row in range(maps.rows[f]):
            for column in range(maps.columns[f]):
                middle = (np.array([column, row]) + 0.5) * maps.side_m[f]
                if (middle > rect[:2]).all() and (middle < rect[2:]).all():
                    inside.append(maps.first[f] + row * maps.columns[f] + column)
        assert len(inside) == pytest.approx((PLACE_M / SIDE_M) ** 2, abs=7)
        assert places.slopes.value[i, 0] == pytest.approx(patches.value[inside, 0].mean())
        assert places.slopes.error[i, 0] == pytest.approx(0.3 / np.sqrt(len(inside)))


def test_means_are_over_bands_above_the_schroeder_frequency_and_defined_pairs():
    one = made(lambda points: np.ones(len(points)), level_error=0.2)
    bands = map_bands(one)
    assert 0 < len(bands) < len(one.scene.bands_hz)
    value, error = one.maps.slope
    below = np.setdiff1d(np.arange(len(one.scene.bands_hz)), bands)
    value[..., below] = 99.0
    value[:, 0, 0], error[:, 0, 0] = np.nan, np.nan
    value[:, 1, 0, 0, bands[0]] = 4.0
    patches = mean_slopes(one)
    np.testing.assert_allclose(patches.value[:, 0], (len(bands) + 3) / len(bands))
    np.testing.assert_allclose(patches.error[:, 0], 0.2)


def test_the_best_place_is_on_the_spot_and_others_dont_overlap_it():
    centre = np.array([0.0, 2.0, 1.2])
    one = made(spot(centre), level_error=0.05, time_error=1e-5)
    places = find_places(one)
    chosen = best_places(one, places)
    facet = one.scene.facets[places.facet[chosen[0]]]
    low, high = places.rect[chosen[0]][:2], places.rect[chosen[0]][2:]
    assert facet.name == "left"
    np.testing.assert_allclose((low + high) / 2, facet.to_plane(centre), atol=0.06)
    for i in chosen:
        for k in chosen:
            if i < k and places.facet[i] == places.facet[k]:
                one_rect, other = places.rect[i], places.rect[k]
                reach = np.minimum(one_rect[2:], other[2:]) - np.maximum(one_rect[:2], other[:2])
                assert reach.min() <= 1e-9


def test_gain_adds_noticeable_steps_of_both_quantities():
    """1 dB, and 5 % of T20, mean of the bands above the Schroeder frequency."""
    one = made(lambda points: np.full(len(points), -2.0), time=-0.01)
    t20_s = reverberation_time(one).value[0][..., map_bands(one)].mean()
    np.testing.assert_allclose(noticeable(one), [1.0, 0.05 * t20_s])
    gain = 2.0 + 0.01 / noticeable(one)[1]
    np.testing.assert_allclose(find_places(one).steps, gain)


def test_what_is_not_known_is_no_place_and_is_not_drawn():
    centre = np.array([0.0, 2.0, 1.2])
    one = made(spot(centre), level_error=40.0, time=0.0)
    assert best_places(one, find_places(one)) == []
    patches = mean_slopes(one)
    drawn = smoothed(one.maps, LEFT, patches.value[:, 0], patches.error[:, 0], 0.5)
    assert np.isnan(drawn).all()


def test_a_map_is_as_fine_as_its_errors_allow_and_keeps_its_mean():
    one = made(lambda points: -1.0 - points[:, 1])
    patches = mean_slopes(one)
    value = patches.value[:, 0]
    own = slice(0, int(one.maps.columns[LEFT] * one.maps.rows[LEFT]))
    sizes = []
    for error in (0.0, 1.5, 6.0):
        drawn = smoothed(one.maps, LEFT, value, np.full_like(value, error), 0.01)
        assert np.isfinite(drawn).all()
        assert drawn.mean() == pytest.approx(value[own].mean(), rel=1e-9)
        sizes.append(len(np.unique(drawn.round(9))))
        for number in np.unique(drawn.round(9)):
            patches_of_block = (drawn.round(9) == number).sum()
            if error > 0 and sizes[-1] == drawn.size:
                assert 3 * error / np.sqrt(patches_of_block) <= abs(number)
    assert sizes[0] > sizes[1] > sizes[2] >= 1


def test_keep_clear_zones_are_left_out():
    centre = np.array([0.0, 2.0, 1.2])
    wall = scene().facets[LEFT]
    at = wall.to_plane(centre) - 0.4
    zone = KeepClear("vent", "left", (float(at[0]), float(at[1])), (0.8, 0.8), "a vent", hard=True)
    one = made(spot(centre), room=replace(scene(), keep_clear=(zone,)))
    places = find_places(one)
    for i in best_places(one, places):
        if places.facet[i] == LEFT:
            low, high = places.rect[i][:2], places.rect[i][2:]
            assert (np.minimum(high, at + 0.8) - np.maximum(low, at)).min() <= 1e-6
    free = made(spot(centre))
    assert LEFT in {find_places(free).facet[i] for i in best_places(free, find_places(free))}


def test_places_behind_furniture_are_left_out():
    """The desk, 95 cm from the left wall, is moved to 8 cm before it: a panel of 10 cm won't fit.

    Two cm further it does.
    """
    centre = np.array([0.0, 0.8, 0.735])
    for gap_m, fits in ((0.08, False), (0.105, True)):
        room = scene()
        desk = np.array([room.surfaces[s].owner == "desk" for s in room.mesh.surface])
        vertices = room.mesh.vertices.copy()
        vertices[np.unique(room.mesh.triangles[desk])] -= (0.95 - gap_m, 0.0, 0.0)
        one = made(spot(centre), room=replace(room, mesh=replace(room.mesh, vertices=vertices)))
        places = find_places(one)
        best = [i for i in best_places(one, places) if places.facet[i] == LEFT]
        wall = room.facets[LEFT].to_plane(centre)
        holds = [
            (places.rect[i][:2] < wall).all() and (places.rect[i][2:] > wall).all() for i in best
        ]
        assert any(holds) == fits


def test_a_result_without_maps_has_no_section():
    assert where_next(result()) is None
    with pytest.raises(ValueError, match="has no maps"):
        find_places(result())


def test_the_section_lists_what_the_quantities_say():
    one = made(spot(np.array([0.0, 2.0, 1.2])), level_error=0.05, time_error=1e-4)
    section = where_next(one)
    places = find_places(one)
    chosen = best_places(one, places)
    assert [row["number"] for row in section.rows] == list(range(1, len(chosen) + 1))
    assert section.rows[0]["surface"] == "left"
    assert "above the floor" in section.rows[0]["place"]
    rows = list(csv.DictReader(io.StringIO(section.files["places.csv"].decode())))
    assert len(rows) == len(places.facet)
    best = next(row for row in rows if row["number"] == "1")
    value = float(best["early_level_db_per_m2"])
    assert value == pytest.approx(places.slopes.value[chosen[0], 0], rel=1e-5)
    assert len(section.pictures) == 2
    assert walls_that_matter(one.scene, places)[0].main == LEFT


def test_shades_tell_less_from_more_and_both_ends_are_equally_dark():
    colours, limits = diverging(0.5)
    assert colours(limits(0.2)) == colours(limits(-0.2))
    light = [np.dot(colours(k)[:3], (0.2126, 0.7152, 0.0722)) for k in range(colours.N)]
    middle = colours.N // 2
    assert np.all(np.diff(light[: middle + 1]) > 0.03)
    assert np.all(np.diff(light[middle:]) < -0.03)
    assert limits(-9.0) == 0
    assert limits(9.0) == colours.N - 1


def test_coverage_is_listed_worst_first():
    section = covering(result())
    levels = [float(row["cells"][0]["remains"].replace("\u2212", "-")) for row in section.rows]
    assert levels == sorted(levels, reverse=True)
    assert section.rows[0]["surface"].startswith("desk")
    assert any("No panel on a wall cures" in note for note in section.notes)
    assert b'"rectangle_m"' in section.files["coverage.json"]
