"""Digits, views of the mesh, and drawings."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from matplotlib.patches import FancyBboxPatch

from raysim import digits
from raysim.report import style, views
from raysim.report.drawings import draw_plan, draw_section
from raysim.report.elevations import draw_surface, met_facets
from raysim.report.listed import drawn, facet_name, list_reflections
from raysim.scene.read import load_scene
from tests.report_made import DESK, HEIGHT, LENGTH, WIDTH, result, scene


@pytest.mark.parametrize(
    ("value", "error", "printed"),
    [
        (0.21349, 0.00231, ("0.213", "0.002")),
        (0.21349, 0.00142, ("0.2135", "0.0014")),
        (0.21349, 0.0196, ("0.21", "0.02")),
        (9.5424, 0.095, ("9.54", "0.10")),
        (-0.004, 0.1, ("0.00", "0.10")),
        (-3.26, 0.3, ("\N{MINUS SIGN}3.3", "0.3")),
        (1234.0, 40.0, ("1234", "40")),
        (9.5424, 0.0, ("9.542", "0")),
    ],
)
def test_digits_follow_the_error(value, error, printed):
    assert digits.rounded(value, error) == printed


@pytest.mark.parametrize(
    ("length_m", "text"), [(1.009, "39¾ in"), (0.0254, "1 in"), (0.0, "0 in"), (0.006, "¼ in")]
)
def test_inches_are_to_the_nearest_quarter(length_m, text):
    assert digits.inches(length_m) == text


@pytest.mark.parametrize("handedness", [-1, 1])
def test_plan_has_the_front_on_top_and_the_right_hand_on_the_right(handedness):
    room = scene(handedness)
    view = views.plan_view(room)
    left, right = (view.flat(s.position) for s in room.sources)
    seat = view.flat(room.receivers[0].position)
    assert left[0] < seat[0] < right[0]
    assert min(left[1], right[1]) > seat[1]


def test_facets_of_things_are_named_by_their_sides():
    made = result(scene(), batches=2).scene
    number = {facet.name: k for k, facet in enumerate(made.facets)}
    assert facet_name(made, number["left"]) == "left"
    named = [facet_name(made, k) for name, k in number.items() if name.startswith("desk")]
    sides = ("top", "underside", "front", "rear", "left", "right")
    assert sorted(named) == sorted(f"desk {side}" for side in sides)
    for name, k in zip(named, (k for n, k in number.items() if n.startswith("desk")), strict=True):
        if name == "desk top":
            assert made.facets[k].normal[2] == pytest.approx(1)


def test_numbers_stay_off_the_dimension_lines():
    """Every plate of a section lies right of the line of heights, and above that of lengths."""
    made = result(scene(), batches=2)
    with style.drawing():
        figure = draw_section(made.scene, drawn(list_reflections(made)))
        axes = figure.axes[0]
        plates = [p for p in axes.patches if isinstance(p, FancyBboxPatch)]
        assert plates
        left = min(line.get_xdata()[0] for line in axes.lines if _is_upright(line))
        assert min(plate.get_x() for plate in plates) > left


def _is_upright(line):
    x, y = line.get_xdata(), line.get_ydata()
    return len(x) == 2 and x[0] == x[1] and abs(y[1] - y[0]) > 1


def test_drawings_do_not_depend_on_how_the_room_is_stored():
    pictures = []
    for handedness in (-1, 1):
        made = result(scene(handedness), batches=2)
        paths = drawn(list_reflections(made))
        with style.drawing():
            pictures.append(
                (
                    style.png(draw_plan(made.scene, paths)),
                    style.png(draw_section(made.scene, paths)),
                )
            )
    assert pictures[0] == pictures[1]


def test_same_drawing_gives_the_same_bytes():
    made = result(batches=2)
    paths = drawn(list_reflections(made))
    with style.drawing():
        first, second = (style.svg(draw_plan(made.scene, paths)) for _ in range(2))
    assert first == second


def test_cut_at_ear_height_is_the_outline_of_the_room():
    room = scene()
    view = views.plan_view(room)
    cut = views.cut(room, view, room.receivers[0].position)
    assert cut.air is not None
    # Ends join on a grid of a tenth of a millimetre.
    assert cut.air.area == pytest.approx(WIDTH * LENGTH, abs=1e-3)
    assert {room.surfaces[s].name for s in cut.surface} == {"left", "right", "front", "rear"}


def test_cut_along_a_face_finds_its_outline_once():
    room = scene()
    view = views.section_view(room)
    (x0, y0, z0), (x1, y1, z1) = DESK
    lengths = []
    for x in (x0, x1):
        cut = views.cut(room, view, np.array([x, 1.0, 1.0]))
        of_desk = np.array([room.surfaces[s].name == "desk" for s in cut.surface])
        ends = cut.segments[of_desk]
        lengths.append(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum())
    # The desk lies in front of one of the two planes and is cut there, and behind the other.
    assert sorted(lengths) == pytest.approx([0.0, 2 * (y1 - y0) + 2 * (z1 - z0)], abs=1e-9)


def test_footprint_of_the_desk_is_its_size():
    room = scene()
    area = views.footprint(room, "desk", views.plan_view(room))
    (x0, y0, _), (x1, y1, _) = DESK
    assert area.area == pytest.approx((x1 - x0) * (y1 - y0), abs=1e-3)


def test_line_meets_the_outline_on_either_side():
    room = scene()
    cut = views.cut(room, views.section_view(room), room.receivers[0].position)
    low, high = views.extent_along(cut.air, np.array([1.64, 1.2]), np.array([0.0, 1.0]))
    assert (low, high) == pytest.approx((0.0, HEIGHT), abs=1e-4)


def test_an_open_outline_is_drawn_as_lines():
    made = result(batches=2)
    room = made.scene
    keep = room.mesh.facet != 1
    open_mesh = type(room.mesh)(
        room.mesh.vertices,
        room.mesh.triangles[keep],
        room.mesh.surface[keep],
        room.mesh.facet[keep],
        room.mesh.sheet[keep],
    )
    opened = type(room)(**{**room.__dict__, "mesh": open_mesh})
    assert views.cut(opened, views.plan_view(opened), room.receivers[0].position).air is None
    with style.drawing():
        assert style.png(draw_plan(opened, drawn(list_reflections(made))))


def test_tape_marks_of_a_surface_are_whole_centimetres_from_the_nearer_corner():
    made = result(batches=2)
    listed = list_reflections(made)
    met = met_facets(made.scene, [one.numbered for one in listed])
    left = next(i for i in met if made.scene.facets[i].name == "left")
    with style.drawing():
        figure = draw_surface(made.scene, left, met[left])
    texts = {text.get_text() for text in figure.axes[0].texts}
    assert {"101 cm", "120 cm", "floor", "ceiling", "front", "rear", "left"} <= texts


def test_looks_differ_without_colour():
    assert len({(look.dashes, look.marker) for look in style.LOOKS}) == len(style.LOOKS)


def test_outline_closes_behind_an_object_that_stands_against_the_wall():
    room = load_scene(Path(__file__).parents[2] / "scenes" / "ell.toml")
    cut = views.cut(room, views.plan_view(room), room.receivers[0].position)
    assert cut.air is not None
    # 5.8 x 4.6 less 2.2 x 2.0 m; the outline is widened by a tenth of a millimetre all round.
    assert cut.air.area == pytest.approx(5.8 * 4.6 - 2.2 * 2.0, abs=0.005)


def test_near_neighbours_are_listed_once_and_silent_paths_never():
    made = result(batches=2)
    first = next(p for p in made.reflections if p.order == 1 and p.source == 0)
    near = dataclasses.replace(first, points=first.points + 0.1, level_db=first.level_db - 1)
    far = dataclasses.replace(first, points=first.points + 0.4, level_db=first.level_db - 1)
    silent = dataclasses.replace(first, points=first.points + 1, energy=0 * first.energy)
    before = [one.reflection for one in list_reflections(made)]
    with_more = dataclasses.replace(made, reflections=(*made.reflections, near, far, silent))
    after = [one.reflection for one in list_reflections(with_more)]
    assert {id(p) for p in after} - {id(p) for p in before} == {id(far)}


def test_names_of_objects_stay_inside_their_boxes():
    """Drawn width against the box, for every object that has room for its name broken in two."""
    room = load_scene(Path(__file__).parents[2] / "scenes" / "control_room.toml")
    view = views.plan_view(room)
    with style.drawing():
        figure = draw_plan(room, [])
        figure.draw_without_rendering()
        axes = figure.axes[0]
        written = {text.get_text().replace("\n", ""): text for text in axes.texts}
        for owner in views.objects(room):
            low_x, low_y, high_x, high_y = views.footprint(room, owner, view).bounds
            extent = written[owner].get_window_extent()
            (x0, y0), (x1, y1) = axes.transData.inverted().transform(extent.get_points())
            assert low_x <= x0 < x1 <= high_x, owner
            assert low_y <= y0 < y1 <= high_y, owner
