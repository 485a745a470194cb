"""Treatments in scene files: where they go, what they are, what is refused, what is stored."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from raysim.errors import SceneError
from raysim.results.store import load_result, save
from raysim.scene.faces import open_edges
from raysim.scene.geometry import Geometry
from raysim.scene.patterns import reflection_rectangle
from raysim.scene.read import load_scene
from raysim.scene.shopping import shopping
from raysim.scene.variants import groups_of, scene_of
from tests.property.test_store_identity import assert_identical
from tests.results_made import exponential_result
from tests.treated import ROOM, TRAPS, bedroom, panel, refused

SCENES = Path(__file__).parents[2] / "scenes"


def only(scene):
    (treatment,) = scene.treatments
    return treatment


def box_of(scene, treatment):
    """(low, high) corner of the room's coordinates that a piece on a facet covers."""
    facet = scene.facets[treatment.facet]
    u0, v0, u1, v1 = treatment.rect
    points = [facet.origin + u * facet.u + v * facet.v for u in (u0, u1) for v in (v0, v1)]
    return np.min(points, axis=0), np.max(points, axis=0)


# On the left wall, seen from inside, the rear is at the left: u = 4.2 - y.
@pytest.mark.parametrize(
    ("on", "at", "low", "high"),
    [
        ("left", '"centred 1.12m from the front, 1.2m up"', (0, 0.82, 0.6), (0, 1.42, 1.8)),
        ("left", '"centred 1.2m up, centred 112cm from the front"', (0, 0.82, 0.6), (0, 1.42, 1.8)),
        ("left", '"edge 20cm from the front, edge 10cm down"', (0, 0.2, 1.1), (0, 0.8, 2.3)),
        ("left", "[3.0, 0.5]", (0, 0.6, 0.5), (0, 1.2, 1.7)),
        ("right", "[3.0, 0.5]", (3.4, 3.0, 0.5), (3.4, 3.6, 1.7)),
        ("front", '"0.5m from the right, in the middle"', (2.6, 0, 0.6), (3.2, 0, 1.8)),
        ("ceiling", "[0.5, 1.0]", (0.5, 1.0, 2.4), (1.1, 2.2, 2.4)),
        (
            "ceiling",
            '"edge 0.5m from the rear, edge 0.1m from the right"',
            (2.7, 2.5, 2.4),
            (3.3, 3.7, 2.4),
        ),
    ],
)
def test_place_is_measured_from_corners_and_the_floor(tmp_path, on, at, low, high):
    room = ROOM.replace('swing = "right"', "").replace(
        'on = "right"\nat = [3.3', 'on = "rear"\nat = [2'
    )
    scene = bedroom(tmp_path, panel("p", on, at), room)
    found_low, found_high = box_of(scene, only(scene))
    np.testing.assert_allclose(found_low, low, atol=1e-9)
    np.testing.assert_allclose(found_high, high, atol=1e-9)


def test_words_of_a_place_give_the_nearer_end(tmp_path):
    scene = bedroom(tmp_path, panel("p", "left", '"3.08m from the rear, 1.2m up"'))
    assert only(scene).where == "left, centred 1.12 m from the front, 1.20 m up"


def test_rectangle_covers_both_loudspeakers_over_the_zone(tmp_path):
    """Mirror points by hand, y = ys + (yr - ys) xs / (xs + xr), at the ends of the zone.

    The nearer loudspeaker's nearest point has yr = 1.49, xr = 1.85, the far one's farthest
    yr = 1.79, xr = 1.55: 0.93 to 1.31 m from the front; up and down 0.15 * 2.3 / 3.85.
    """
    scene = bedroom(tmp_path)
    (index,) = (k for k, f in enumerate(scene.facets) if f.name == "left")
    facet = scene.facets[index]
    u0, v0, u1, v1 = reflection_rectangle(scene, facet, scene.receivers[0])
    near = 0.6 + 0.89 * 1.1 / (1.1 + 1.85)
    far = 0.6 + 1.19 * 2.3 / (2.3 + 1.55)
    np.testing.assert_allclose((4.2 - u1, 4.2 - u0), (near, far), atol=1e-9)
    assert (round(near, 2), round(far, 2)) == (0.93, 1.31)
    np.testing.assert_allclose((v0, v1), (1.2 - 0.345 / 3.85, 1.2 + 0.345 / 3.85), atol=1e-9)
    lower = dataclasses.replace(scene.receivers[0], zone=np.array([0.15, 0.15, 0.10]))
    _, v0, _, v1 = reflection_rectangle(scene, facet, lower)
    assert (round(v0, 2), round(v1, 2)) == (1.14, 1.26)


def test_a_panel_at_the_reflections_is_where_a_mirror_says(tmp_path):
    more = '[treatments.p]\npattern = "side reflections"\nsize = [0.6, 1.2]\nmaterial = "wool"\n'
    scene = bedroom(tmp_path, more)
    assert [t.where for t in scene.treatments] == [
        "right, centred 1.12 m from the front, 1.20 m up",
        "left, centred 1.12 m from the front, 1.20 m up",
    ]


def test_pattern_as_large_as_needed_covers_its_rectangle(tmp_path):
    more = '[treatments.p]\npattern = "{}"\nmargin = "2cm"\nmaterial = "wool"\n'
    for pattern in ("side reflections", "rear wall"):
        room = ROOM.replace("size = [0.5, 0.5]", "size = [0.1, 0.1]")
        scene = bedroom(tmp_path, more.format(pattern), room)
        for treatment in scene.treatments:
            facet = scene.facets[treatment.facet]
            least = reflection_rectangle(scene, facet, scene.receivers[0])
            assert (np.array(treatment.rect[:2]) < least[:2]).all()
            assert (np.array(treatment.rect[2:]) > least[2:]).all()


def test_cloud_is_where_its_lower_side_mirrors(tmp_path):
    """Mirrored 0.9 m above the loudspeakers: by hand from the ends of the zone, 1.01 to 1.25 m.

    y = 0.6 + (yr - 0.6) 0.9 / (0.9 + 2.1 - zr) at (yr, zr) = (1.49, 1.05) and (1.79, 1.35).
    """
    more = (
        '[treatments.p]\npattern = "cloud above the desk"\nsize = [1.2, 0.9]\ngap = "20cm"\n'
        'material = "wool"\n'
    )
    low, high = (f(only(bedroom(tmp_path, more)).corners, axis=0) for f in (np.min, np.max))
    np.testing.assert_allclose((low + high) / 2, (1.7, 1.13, 2.15), atol=0.0051)
    np.testing.assert_allclose(high - low, (1.2, 0.9, 0.1), atol=1e-9)


def test_tiles_make_a_grid(tmp_path):
    more = (
        '[treatments.foam]\nkind = "tiles"\non = "front"\nat = [0.1, 0.3]\nsize = [0.5, 0.4]\n'
        'tiles = [3, 2]\nspacing = "2cm"\nlayers = ["porous 50mm foam 8000"]\ncost = 5\n'
    )
    scene = bedroom(tmp_path, more)
    rects = np.array([t.rect for t in scene.treatments])
    np.testing.assert_allclose(rects[0], (0.1, 0.3, 0.6, 0.7), atol=1e-9)
    np.testing.assert_allclose(rects[-1], (1.14, 0.72, 1.64, 1.12), atol=1e-9)
    (total,) = shopping(scene, ["treated"])
    assert total.pieces == 6
    assert total.cost == 30
    assert total.area_m2 == pytest.approx(6 * 0.2)
    assert total.unweighed == 6


def test_layers_give_depth_weight_and_the_air_behind(tmp_path):
    scene = bedroom(tmp_path, panel("p", "left", "[3.0, 0.5]", 'gap = "5cm"'))
    treatment = only(scene)
    assert (treatment.thickness_m, treatment.gap_m) == pytest.approx((0.1, 0.05))
    assert treatment.weight_kg == pytest.approx(0.6 * 1.2 * 0.1 * 40)
    with_gap = scene.materials[treatment.material]
    assert with_gap.construction.depth == pytest.approx(0.15)
    wool = bedroom(tmp_path, panel("p", "left", "[3.0, 0.5]")).treatments[0]
    plain = bedroom(tmp_path, panel("p", "left", "[3.0, 0.5]")).materials[wool.material]
    assert with_gap.absorption[0] > plain.absorption[0]
    np.testing.assert_allclose(np.ptp(treatment.corners[:, 0]), 0.1)
    assert treatment.corners[:, 0].min() == pytest.approx(0.05)


def test_overlap_counts_within_a_variant_only(tmp_path):
    more = panel("p", "left", "[3.0, 0.5]") + panel("q", "left", "[3.4, 0.6]")
    more += '[variants.a]\ntreatments = ["p"]\n[variants.b]\ntreatments = ["q"]\n'
    scene = bedroom(tmp_path, more)
    assert [v.name for v in scene.variants] == ["base", "a", "b"]


def closed(scene):
    mesh = scene.mesh
    count = len(mesh.triangles)
    geometry = Geometry(
        mesh.vertices, mesh.triangles, mesh.surface, ("all",), ("room",), np.zeros(count, bool)
    )
    return not len(open_edges(geometry))


def test_objects_take_their_volume_out_of_the_air(tmp_path):
    """Two triangular and a square corner trap, two edge traps, a cloud and a screen, by hand."""
    scene = bedroom(tmp_path, TRAPS)
    variant = scene.variants[1]
    treated = scene_of(scene, variant)
    volumes = [
        2 * 0.34 * 0.30 / 2 * 1.8,
        0.25 * 0.25 * 2.4,
        0.3 * 0.2 * 2.0,
        0.2 * 0.2 / 2 * 1.0,
        1.2 * 0.9 * 0.1,
        0.1 * 0.8 * 1.6,
    ]
    # Corner traps are grown by 1 nm into the walls that they touch.
    assert scene.volume - treated.volume == pytest.approx(sum(volumes), abs=1e-8)
    assert closed(treated)
    owners = {surface.owner for surface in treated.surfaces}
    assert owners == {"room", "desk", *(t.name for t in scene.treatments)}
    wool = {scene.materials[s.material].name for s in treated.surfaces if s.owner == "cloud"}
    assert wool == {"wool"}
    weight = sum(volumes) * 40
    assert sum(t.weight_kg for t in scene.treatments) == pytest.approx(weight)


def test_panels_stay_where_they_are_when_objects_cut_their_wall(tmp_path):
    """A trap in the corner moves the origin of the wall's facet, not the panel."""
    trap = (
        '[treatments.t]\nkind = "corner trap"\non = ["left", "rear"]\nsize = 0.3\n'
        'material = "wool"\n'
    )
    scene = bedroom(tmp_path, panel("p", "left", '"1.12m from the front, 1.2m up"') + trap)
    (group,) = groups_of(scene, ["treated"])
    (cover,) = group.covers[0]
    moved = dataclasses.replace(scene.treatments[0], facet=cover.facet, rect=cover.rect)
    assert cover.rect[0] == pytest.approx(scene.treatments[0].rect[0] - 0.3)
    for found, expected in zip(
        box_of(group.scene, moved), box_of(scene, scene.treatments[0]), strict=True
    ):
        np.testing.assert_allclose(found, expected, atol=1e-9)


def test_variants_share_a_trace_where_they_can(tmp_path):
    more = (
        panel("p", "left", "[3.0, 0.5]")
        + TRAPS
        + (
            '[variants.a]\ntreatments = ["p"]\n'
            '[variants.b]\ntreatments = ["p", "cloud"]\n'
            '[variants.c]\ntreatments = ["cloud"]\nsurfaces = {"f*" = "wooden desk"}\n'
            "[variants.d]\nreceivers = {seat = [1.7, 2.0, 1.2]}\n"
            '[variants.e]\nsurfaces = {floor = "wooden desk"}\n'
        )
    )
    scene = bedroom(tmp_path, more)
    groups = groups_of(scene)
    assert [g.variants for g in groups] == [("base", "a", "e"), ("b", "c"), ("d",)]
    assert groups[0].covers[0] == ()
    assert len(scene.shells) == 1
    assert groups[1].scene.receivers is not groups[2].scene.receivers
    assert groups[2].scene.receivers[0].position.tolist() == [1.7, 2.0, 1.2]
    changed = {groups[1].scene.facets[c.facet].name for c in groups[1].covers[1]}
    assert changed == {"floor", "front"}
    assert all(g.scene.materials == scene.materials for g in groups)
    assert [g.variants for g in groups_of(scene, ["d", "a"])] == [("d",), ("a",)]
    with pytest.raises(SceneError, match="no variant 'dd', did you mean 'd'"):
        groups_of(scene, ["a", "dd"])


def test_a_scene_without_variants_has_the_base_only(tmp_path):
    (group,) = groups_of(bedroom(tmp_path))
    assert (group.variants, group.covers) == (("base",), ((),))


def test_a_moved_source_aims_anew(tmp_path):
    scene = bedroom(tmp_path, "[variants.v]\nsources = {left = [0.8, 0.6, 1.2]}\n")
    moved = groups_of(scene, ["v"])[0].scene.sources[0]
    way = np.array([0.9, 1.04, 0.0])
    np.testing.assert_allclose(moved.aim, way / np.linalg.norm(way), atol=1e-12)


def test_treatments_and_variants_come_back_from_a_result(tmp_path):
    more = (
        panel("p", "left", "[3.0, 0.5]", "cost = 50\nowned = true\nphase = 2")
        + TRAPS
        + (
            '[variants.b]\ntreatments = ["p", "cloud"]\nsurfaces = {floor = "wooden desk"}\n'
            '[variants.c]\ntreatments = ["screen", "corners"]\n'
            "[variants.d]\nreceivers = {seat = [1.7, 2.0, 1.2]}\n"
            "sources = {left = [0.8, 0.6, 1.2]}\n"
        )
    )
    scene = bedroom(tmp_path, more)
    scene = dataclasses.replace(scene, bands_hz=tuple(float(f) for f in scene.bands_hz))
    assert len(scene.shells) == 2
    made = exponential_result(bands_hz=scene.bands_hz, times_s=(0.4,) * 4, batches=2)
    result = dataclasses.replace(made, scene=scene)
    save(result, tmp_path / "r.h5")
    assert_identical(result, load_result(tmp_path / "r.h5"))


def test_mesh_rooms_are_treated_too():
    """Patterns find the walls of an irregular room; objects stay clear of what they can't fit."""
    scene = load_scene(SCENES / "control_room_treated.toml")
    treated = scene_of(scene, scene.variants[-1])
    left, right = scene.treatments[:2]
    assert left.where.split(", ", 1)[1] == right.where.split(", ", 1)[1]
    assert closed(treated)
    bodies = [t for t in scene.treatments if t.is_object]
    legs = 0.4 * 0.4 * np.sin(np.arccos(0.7 / np.hypot(0.7, 2.3))) / 2
    height = bodies[1].corners[:, 2].max() - bodies[1].corners[:, 2].min()
    expected = 1.8 * 1.2 * 0.1 + 2 * legs * height
    assert scene.volume - treated.volume == pytest.approx(expected, abs=1e-6)
    assert bodies[1].corners[:, 2].min() == pytest.approx(0.005)


SLOPED = """\
title = "Invented attic"
bands = [125, 1000]
[room]
outline = [[0, 0], [3.6, 0], [3.6, 5.0], [0, 5.0]]
ceiling = [[0, 0, 2.9], [3.6, 0, 2.9], [3.6, 5.0, 2.4], [0, 5.0, 2.4]]
[surfaces]
"*" = "gypsum board 13 mm on studs"
[sources.a]
position = [1.2, 0.6, 1.2]
[receivers.b]
position = [1.8, 1.9, 1.3]
"""
IN_THE_LOW_CORNER = (
    '[treatments.trap]\nkind = "corner trap"\non = ["wall3", "wall4"]\nsize = "40cm"\n'
    'layers = ["porous 200mm 12000"]\n'
)


def test_a_trap_stands_under_the_low_end_of_a_slope(tmp_path):
    """Its top is as high as the ceiling over its lowest corner, not over a point beside it."""
    scene = bedroom(tmp_path, IN_THE_LOW_CORNER, SLOPED)
    (trap,) = scene.treatments
    assert trap.corners[:, 2].max() == pytest.approx(2.4, abs=1e-9)
    treated = scene_of(scene, scene.variants[-1])
    assert scene.volume - treated.volume == pytest.approx(0.4 * 0.4 / 2 * 2.4, abs=1e-6)


def test_zone_on_a_bent_surface_is_refused(tmp_path):
    text = (SCENES / "control_room_treated.toml").read_text(encoding="utf-8")
    text = text.replace("control_room.obj", str(SCENES / "control_room.obj"))
    zone = '[keep_clear.c]\non = "rear_wall"\nat = [0.1, 0.1]\nsize = [0.5, 0.5]\nreason = "x"\n'
    (said,) = refused(tmp_path, "", text + zone)
    assert "keep_clear.c.on: 'rear_wall' lies in several planes" in said


def test_a_cloud_weighs_what_its_wool_does(tmp_path):
    """Four panels of 0.6 x 1.2 x 0.1 m and 45 kg/m3: 3.2 kg each (0.072 m3 x 45 = 3.24)."""
    cloud = (
        '[treatments.c]\nkind = "cloud"\non = "ceiling"\nat = [1.0, 0.5]\nsize = [1.2, 2.4]\n'
        'gap = 0.1\nlayers = ["porous 100mm glass wool 45kg/m3"]\n'
    )
    assert only(bedroom(tmp_path, cloud)).weight_kg == pytest.approx(4 * 3.24)
