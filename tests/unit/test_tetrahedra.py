"""The air as tetrahedra: volume, areas, sheets, leaks, and what is left out."""

import sys

import numpy as np
import pytest
import shapely

from raysim.errors import SceneError, SolverError
from raysim.scene.rooms import Prism
from raysim.waves.adjacency import faces_of
from raysim.waves.closing import without_slits
from raysim.waves.factor import Factor, dissection
from raysim.waves.repeated import make_repeatable
from raysim.waves.slits import bisected, doubled
from raysim.waves.tetrahedra import tetrahedra_of, winding
from tests.plain.structured import box_elements
from tests.rooms import shoebox

WAVELENGTH_M = 2.5


def filled(scene, **more):
    mesh = scene.mesh
    inside = scene.receivers[0].position
    return tetrahedra_of(mesh.vertices, mesh.triangles, inside, WAVELENGTH_M, **more)


def volume_of(made):
    each = made.points[made.corners]
    return np.abs(np.linalg.det(each[:, 1:] - each[:, :1])).sum() / 6


def test_box_with_a_desk():
    """Volume within 0.1 %, and each surface's faces have its area within 1 %.

    Walls meet at right angles, so faces can't slip from one to the other; the desk stands free.
    """
    desk = Prism("desk", shapely.box(1.0, 1.0, 2.0, 1.6), 0.7, 0.8)
    scene = shoebox((4.0, 3.0, 2.5), prisms=[desk])
    made = filled(scene, volume_m3=scene.volume)
    assert made.volume == pytest.approx(30 - 0.06, rel=1e-3)
    assert made.volume == pytest.approx(volume_of(made))
    a, b, c = made.points[made.outer].transpose(1, 0, 2)
    areas = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    found = np.bincount(scene.mesh.surface[made.triangle], areas)
    wanted = np.bincount(scene.mesh.surface, scene.mesh.areas)
    assert found == pytest.approx(wanted, rel=1e-2)


@pytest.mark.slow
def test_hole_is_refused_with_its_place():
    """A triangle of the ceiling is missing; the leak is named near it."""
    scene = shoebox((1.6, 1.2, 1.8))
    mesh = scene.mesh
    ceiling = [s.name for s in scene.surfaces].index("ceiling")
    kept = np.flatnonzero(mesh.surface != ceiling)
    kept = np.append(kept, np.flatnonzero(mesh.surface == ceiling)[1:])
    with pytest.raises(SceneError, match="not closed; it leaks near") as told:
        tetrahedra_of(mesh.vertices, mesh.triangles[kept], np.array([0.6, 0.8, 0.9]), WAVELENGTH_M)
    place = [float(x) for x in str(told.value).split("near (")[1].split(")")[0].split(",")]
    assert place[2] > 1.2


def test_small_things_are_left_out_and_said():
    """A cube of 5 cm where a sixth of the wavelength is 42 cm."""
    speck = Prism("speck", shapely.box(1.0, 1.0, 1.05, 1.05), 0.7, 0.75)
    made = filled(shoebox((4.0, 3.0, 2.5), prisms=[speck]))
    assert made.volume == pytest.approx(30, rel=1e-3)
    assert "left out a part of 9 cm across at (1.02, 1.02, 0.72) m" in made.notes[0]


def test_slit_behind_a_trap_is_closed_and_said():
    """A trap 5 mm off three walls: what remains is the air beyond it, without the slit."""
    trap = Prism("trap", shapely.box(0.005, 0.005, 0.4, 0.3), 0.005, 1.8)
    scene = shoebox((2.0, 1.5, 2.2), prisms=[trap], receivers=((1.0, 1.5, 1.2),))
    made = filled(scene)
    assert made.volume == pytest.approx(2.0 * 1.5 * 2.2 - 0.4 * 0.3 * 1.8, rel=1e-3)
    assert any("slits of up to 5 mm" in note for note in made.notes)
    assert winding(scene.mesh.corners, np.array([[0.002, 0.002, 1.0]])) == pytest.approx(1.0)


def test_what_stands_further_off_keeps_its_place():
    """15 mm off one wall and 25 mm off two: only the side at the first is moved."""
    trap = Prism("trap", shapely.box(0.015, 0.025, 0.4, 0.3), 0.025, 1.8)
    scene = shoebox((2.0, 1.5, 2.2), prisms=[trap])
    mesh = scene.mesh
    body = np.array([surface.owner != "room" for surface in scene.surfaces])[mesh.surface]
    moved, widest = without_slits(mesh.vertices, mesh.triangles, body)
    assert widest == pytest.approx(0.015)
    shift = moved - mesh.vertices
    at_wall = np.isclose(mesh.vertices[:, 0], 0.015)
    assert shift[at_wall, 0] == pytest.approx(-0.035)
    assert not shift[~at_wall].any()
    assert not shift[:, 1:].any()


def test_a_screen_opens_between_its_sides():
    """A sheet across half of a box: both sides are boundary, its rim (ragged by 15 cm) is not."""
    scene = shoebox((4.0, 3.0, 2.5))
    sheet = np.array([[0, 2, 0], [1.5, 2, 0], [1.5, 2, 2.5], [0, 2, 2.5]], float)
    n = len(scene.mesh.vertices)
    vertices = np.vstack([scene.mesh.vertices, sheet])
    front = np.array([[0, 1, 2], [0, 2, 3]]) + n
    triangles = np.vstack([scene.mesh.triangles, front, front[:, ::-1]])
    made = tetrahedra_of(vertices, triangles, np.array([1.0, 1.0, 1.2]), WAVELENGTH_M)
    a, b, c = made.points[made.outer].transpose(1, 0, 2)
    areas = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    of_screen = made.triangle >= len(scene.mesh.triangles)
    assert areas[of_screen].sum() == pytest.approx(2 * 1.5 * 2.5, rel=6e-2)
    faces = faces_of(made.corners)
    assert len(made.outer) == (faces.beside[:, 1] < 0).sum()
    on = np.isclose(made.points[:, 1], 2, atol=0.008)
    rim = on & np.isclose(made.points[:, 0], 1.5, atol=0.008)
    places = np.round(made.points[on & (made.points[:, 0] < 1.3)], 6)
    _, copies = np.unique(places, axis=0, return_counts=True)
    assert (copies == 2).all()
    _, copies = np.unique(np.round(made.points[rim], 6), axis=0, return_counts=True)
    assert (copies == 1).all()


def test_doubling_and_halving_keep_the_volume():
    made = box_elements((2.0, 1.0, 1.0), (4, 2, 2)).mesh
    faces = faces_of(made.corners)
    middle = made.points[faces.corners][..., 0]
    closed = (np.isclose(middle, 1.0)).all(axis=1) | (faces.beside[:, 1] < 0)
    tets, origin = doubled(made.corners, closed, faces)
    assert len(origin) == len(made.points) + 9
    assert len(faces_of(tets).corners) == len(faces.corners) + 8
    points, halved = bisected(made.points, made.corners, faces.corners[:1, :2])
    each = points[halved]
    assert np.abs(np.linalg.det(each[:, 1:] - each[:, :1])).sum() / 6 == pytest.approx(2.0)


def test_winding_is_one_inside_and_zero_outside():
    corners = shoebox((4.0, 3.0, 2.5)).mesh.corners
    turns = winding(corners, np.array([[1.0, 1.0, 1.0], [1.0, 1.0, 3.0], [-2.0, 0.0, 0.0]]))
    assert np.abs(turns) == pytest.approx([1, 0, 0], abs=1e-12)
    assert turns[0] == pytest.approx(1)


def test_points_outside_are_named():
    elements = box_elements((2.0, 1.0, 1.0), (2, 1, 1))
    with pytest.raises(SceneError, match=r"sources.left: \(2.50, 0.50, 0.50\) m is not in the air"):
        elements.at(np.array([[2.5, 0.5, 0.5]]), ["sources.left"])


def test_elements_reproduce_cubics():
    """Values at points, mass and stiffness are exact for polynomials of order 3."""
    elements = box_elements((2.0, 1.0, 1.0), (2, 2, 1))
    x, y, _ = elements.nodes.T
    values = x**3 + 2 * x * y**2
    at = np.array([[0.3, 0.7, 0.2], [1.9, 0.1, 0.9]])
    assert elements.at(at) @ values == pytest.approx(at[:, 0] ** 3 + 2 * at[:, 0] * at[:, 1] ** 2)
    assert values @ (elements.mass @ np.ones(len(x))) == pytest.approx(4 + 4 / 3)
    ramp = x @ (elements.stiffness @ x)
    assert ramp == pytest.approx(2.0)
    assert elements.surfaces[1] @ x @ x == pytest.approx(4.0)


def test_factor_solves_and_counts_negative_eigenvalues():
    elements = box_elements((2.0, 1.0, 1.0), (3, 2, 2))
    plan = dissection(elements.pattern, elements.nodes)
    assert sorted(plan.order) == list(range(elements.size))
    shifted = elements.stiffness - 12.0 * elements.mass
    factor = Factor(shifted, plan)
    right = np.cos(np.arange(2.0 * elements.size)).reshape(-1, 2)
    assert shifted @ factor.solve(right) == pytest.approx(right, abs=1e-8)
    # Below 12: 0, (pi/2)^2, pi^2 three times; (pi/2)^2 + pi^2 = 12.3 is above.
    assert factor.negative == 5


def test_one_room_has_one_mesh():
    """The same points and tetrahedra, and no note that it can't be so."""
    scene = shoebox((4.0, 3.0, 2.5))
    one, other = filled(scene), filled(scene)
    assert np.array_equal(one.points, other.points)
    assert np.array_equal(one.corners, other.corners)
    assert one.notes == ()


def test_what_is_not_elf_is_left_alone():
    """A module whose file is text, and a compiled one that asks for no randomness."""
    assert not make_repeatable(sys.modules[__name__])
    assert not make_repeatable(sys.modules["numpy.linalg._umath_linalg"])


def test_mesher_that_fails_says_so(monkeypatch):
    """Its process ends otherwise than well; no traceback, the remedy."""
    monkeypatch.setattr("raysim.waves.mesher.PROCESS", "raysim.waves.nowhere")
    with pytest.raises(SolverError, match=r"the mesher failed \(.*nowhere.*\); run with --no-bass"):
        filled(shoebox((4.0, 3.0, 2.5)))
