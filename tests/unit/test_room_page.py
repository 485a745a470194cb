"""Shares of energy, the room's patches in 3-D, and the page that holds them."""

import base64
import json
import re
import shutil
import subprocess
import zlib
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest

from raysim import digits
from raysim.quantities.places import in_blocks
from raysim.quantities.reflections import place_on
from raysim.quantities.shares import Share, arriving_share, incident_share, patch_at
from raysim.report import room_page
from raysim.report.falling import falling
from raysim.report.room_model import SMALLEST_M2, groups_of_patches, seen
from raysim.report.shading import share_shading
from raysim.report.style import doublings
from raysim.scene.solids import edge_lines
from raysim.solvers.maps import grid_of
from tests.maps_made import made, spot
from tests.report_made import scene

FLAT = lambda points: np.zeros(len(points))  # noqa: E731
COUNT = len(made(FLAT).maps.area_m2)


def test_a_share_is_a_multiple_of_the_mean_over_all_surfaces():
    random = np.random.default_rng(3)
    value, error = random.gamma(2.0, 1.0, COUNT), random.gamma(2.0, 0.1, COUNT)
    one = made(FLAT, falls=(value, error))
    area = one.maps.area_m2
    mean = (value * area).sum() / area.sum()
    share = incident_share(one, 1, [2, 4])
    np.testing.assert_allclose(share.value, value / mean)
    np.testing.assert_allclose(share.error, error / mean)
    assert (share.value * area).sum() == pytest.approx(area.sum())


def test_what_exact_paths_bring_is_apart_and_drawn_patch_by_patch():
    bare = made(FLAT)
    exact = np.zeros(COUNT)
    here = [p for p in bare.reflections if p.order > 0 and p.delay_s < 0.015]
    for path in here:
        exact[patch_at(bare, path.facets[-1], path.points[-1])] += path.energy[3] / 2
    exact /= bare.maps.area_m2
    rest = np.full(COUNT, 0.2 * exact[exact > 0].min())
    one = made(FLAT, arrives=(exact + rest, rest))
    share = arriving_share(one, 0, 0, [3])
    mean = (exact + rest) @ one.maps.area_m2 / one.maps.area_m2.sum()
    np.testing.assert_allclose(share.exact, exact / mean, atol=1e-12)
    shading = share_shading(share, "made")
    for facet in range(len(one.scene.facets)):
        drawn, _ = shading.drawn(one.maps, facet)
        own = slice(one.maps.first[facet], one.maps.first[facet] + drawn.size)
        met = share.exact[own] > 0
        assert (drawn.ravel()[met] >= share.exact[own][met] * (1 - 1e-9)).all()
    assert len(here) > 10


def test_a_block_without_rays_is_no_better_known_than_one_ray():
    """Half a wall met, half not: with the weight of a ray the empty half isn't cut off as zero."""
    one = made(FLAT)
    grid = (int(one.maps.rows[0]), int(one.maps.columns[0]))
    value = np.zeros(COUNT)
    wall = value[: grid[0] * grid[1]].reshape(grid)
    wall[:, : grid[1] // 2] = 1.0
    error = 0.5 * value
    free, _ = in_blocks(one.maps, 0, value, error, 0.1)
    assert (free[:, -1] == 0).all()
    tied, unsure = in_blocks(one.maps, 0, value, error, 0.1, event=0.9)
    assert tied[0, -1] == pytest.approx(wall.mean())
    area = one.maps.area_m2[: wall.size]
    expected = np.sqrt((error[: wall.size] ** 2 * area**2).sum() + 0.9**2) / area.sum()
    np.testing.assert_allclose(unsure, expected)
    assert np.isnan(in_blocks(one.maps, 0, value, error, 0.1, event=9.0)[0]).all()


def test_facets_of_one_patch_are_drawn_as_the_others():
    """The desk's facets as one patch each, all together and one by one."""
    bare = made(FLAT)
    small = range(6, 12)
    maps = bare.maps
    columns, rows = maps.columns.copy(), maps.rows.copy()
    columns[6:], rows[6:] = 1, 1
    first = np.concatenate([maps.first[:7], maps.first[6] + np.arange(1, 6)])
    count = int(first[-1]) + 1
    random = np.random.default_rng(6)
    area = np.concatenate([maps.area_m2[: first[6]], [bare.scene.facets[k].area for k in small]])
    maps = replace(maps, first=first, columns=columns, rows=rows, area_m2=area)
    value, error = random.gamma(1.0, 1.0, count), random.gamma(1.0, 0.2, count)
    exact = np.where(np.arange(count) % 3 == 0, 0.1 * value, 0.0)
    shading = share_shading(Share(value, error, exact, 1e-3), "made")
    every = shading.drawn_everywhere(maps)
    for facet in range(12):
        own = slice(first[facet], first[facet] + columns[facet] * rows[facet])
        each = np.stack([of.ravel() for of in shading.drawn(maps, facet)])
        np.testing.assert_allclose(every[:, own], each, rtol=1e-12)
    assert np.isnan(every[1, first[6] :]).any()
    assert np.isfinite(every[1, first[6] :]).any()


def test_doublings_darken_with_every_shade():
    colours, limits = doublings(3)
    light = [np.dot(colours(k)[:3], (0.2126, 0.7152, 0.0722)) for k in range(colours.N)]
    assert np.all(np.diff(light) < -0.06)
    assert limits(1.0) == 3
    assert limits([1e-6, 0.5, 2.0, 1e6]).tolist() == [0, 2, 4, 6]


@pytest.mark.parametrize("handedness", [-1, 1])
def test_patches_fill_their_facets_and_none_twice(handedness):
    room = scene(handedness)
    wall = np.array([[0, 0], [4.2, 0], [4.2, 2.4], [0, 1.0]])
    room = replace(room, facets=(replace(room.facets[0], outline=(wall,)), *room.facets[1:]))
    one = made(FLAT, room=room)
    maps = replace(one.maps, area_m2=grid_of(room)[1])
    one = replace(one, maps=maps)
    groups = groups_of_patches(one)
    patches = np.concatenate([np.unique(group.patch) for group in groups])
    assert len(patches) == len(np.unique(patches)) == (maps.area_m2 > SMALLEST_M2).sum()
    total = 0.0
    for group in groups:
        a, b, c = (group.vertices[group.triangles[:, k]] for k in range(3))
        total += np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2
        assert (np.diff(group.patch[group.triangles], axis=1) == 0).all()
        inward = (seen(room, one.scene.receivers[0].position) - group.centre) @ group.normal
        assert inward >= 0
    missing = 4.2 * 1.4 / 2
    assert total == pytest.approx(sum(f.area for f in room.facets) - missing, rel=1e-9)


def test_a_box_has_twelve_edges():
    corners = np.array(np.meshgrid([0, 1.0], [0, 2.0], [0, 3.0])).reshape(3, -1).T
    lines = edge_lines(corners)
    lengths = np.sort(np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1))
    np.testing.assert_allclose(lengths, np.repeat([1.0, 2.0, 3.0], 4))


@pytest.fixture(scope="module")
def page():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(room_page, "map_bands", lambda _: [2, 3])
        one = made(spot(np.array([0.0, 2.0, 1.2])), level_error=0.05, falls=(1.0, 0.1))
        return one, room_page.compose_room(one)


def blob(text, name):
    found = re.search(f'id="{name}">([^<]*)<', text)
    return zlib.decompress(base64.b64decode(found.group(1)))


def test_the_page_needs_nothing_else_and_holds_every_map(page):
    _, text = page
    assert not re.search(r'<(script|link|img)[^>]*(src|href)="', text)
    model = json.loads(blob(text, "model"))
    assert len(model["maps"]) == 3 * (3 + 3 + 2)
    falls = [m for m in model["maps"] if m["title"] == "Energy that falls here"]
    assert {m["window"] for m in falls} == {"within 15 ms", "15 to 50 ms", "later than 50 ms"}
    assert {m["band"] for m in falls} == {"mean of 500 Hz to 1 kHz", "500 Hz", "1 kHz"}
    assert len(text) < 8e6


def test_a_spot_reads_its_place_and_its_value(page):
    one, text = page
    model, numbers = json.loads(blob(text, "model")), blob(text, "numbers")
    of = next(k for k, m in enumerate(model["maps"]) if "early level" in m["title"])
    table = model["arrays"][f"map {of}"]
    value, error = np.frombuffer(numbers, np.float32, table["count"], table["at"]).reshape(2, -1)
    facet = one.scene.facets[0]
    patch = patch_at(one, 0, np.array([0.0, 2.0, 1.2]))
    assert value[patch] == pytest.approx(-5.0 * np.exp(-0.05 * np.sqrt(2) / 0.3), abs=0.5)
    assert 0 < error[patch] <= 0.05 + 1e-6
    row, column = divmod(patch, int(one.maps.columns[0]))
    u, v = (np.array([column, row]) + 0.5) * one.maps.side_m[0]
    place = place_on(one.scene, facet, facet.origin + u * facet.u + v * facet.v)
    assert model["places"][patch].startswith(f"left: {100 * place.above_floor_m:.0f} cm")
    assert f"from its {place.edges[0][0]} edge" in model["places"][patch]


def test_the_page_says_numbers_as_the_report_does():
    node = shutil.which("node")
    if node is None:
        pytest.skip("no JavaScript engine 'node' here to run the page's script with")
    source = (resources.files("raysim.report") / "room.js").read_text("utf-8")
    function = source[source.index("function digits") : source.index("class Room")]
    random = np.random.default_rng(8)
    pairs = np.stack([random.normal(0, 3, 50), 10 ** random.uniform(-4, 1, 50)], axis=1).tolist()
    script = f"{function}; console.log(JSON.stringify({pairs}.map((p) => digits(...p))))"
    said = json.loads(subprocess.run([node, "-e", script], capture_output=True, check=True).stdout)
    for (value, error), (number, open_to) in zip(pairs, said, strict=True):
        expected, at_most = digits.rounded(value, error)
        assert float(number) == float(expected.replace("\u2212", "-"))
        assert open_to == at_most


def test_the_section_draws_both_maps_and_is_absent_without():
    section = falling(made(FLAT))
    assert set(section.files) == {"map_incident.png", "map_arriving.png"}
    assert "within 15 ms" in section.intro
    bare = replace(made(FLAT), maps=None)
    assert falling(bare) is None
    assert room_page.compose_room(bare) is None
