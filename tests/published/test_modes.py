"""Modes of boxes and other shapes against published and exact values."""

import csv

import numpy as np
import pytest

from raysim.waves.elements import assemble
from raysim.waves.modes import rigid_modes
from raysim.waves.tetrahedra import tetrahedra_of
from tests.plain.structured import box_elements
from tests.published.reference_data import published_file
from tests.rooms import outline_room, sphere_room

FOOT_M = 0.3048
HANDBOOK_SPEED = 1130 * FOOT_M
SPEED = 343.2
INSIDE = (0.9, 0.6, 1.2)


def rigid_hz(elements, speed, below_hz):
    k = 2 * np.pi * below_hz / speed
    squared = rigid_modes(elements, k).squared
    return np.sqrt(squared[1:]) * speed / (2 * np.pi)


def filled(vertices, triangles, inside, below_hz):
    made = tetrahedra_of(vertices, triangles, np.asarray(inside, float), SPEED / below_hz)
    a, b, c = made.points[made.outer].transpose(1, 0, 2)
    area = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)
    return assemble(made, lambda _points, triangle: 0 * triangle, np.array([area]))


def test_handbook_16x12x8_feet():
    """Handbook for Sound Engineers, ch. 6, table 6-4: eight axial modes of 16 x 12 x 8 ft.

    Printed to 0.01 Hz for 1130 ft/s; 0.01 Hz.
    """
    size = np.array([16, 12, 8]) * FOOT_M
    found = rigid_hz(box_elements(size, (9, 7, 5)), HANDBOOK_SPEED, 150.0)
    for printed in (35.31, 70.63, 105.94, 47.08, 94.17, 141.25, 70.63, 141.25):
        assert np.abs(found - printed).min() < 0.01
    assert (np.abs(found - 141.25) < 0.05).sum() >= 3
    assert (np.abs(found - 70.63) < 0.05).sum() == 2


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "feet", "cells"),
    [
        ("modes_16x12x8.csv", (16, 12, 8), (9, 7, 5)),
        ("modes_23x17x9.csv", (23, 17, 9), (12, 9, 5)),
    ],
)
def test_all_modes_to_200_hz(name, feet, cells):
    """Every row of the table computed from the handbook's formula, within 0.1 %; none more."""
    with published_file(name).open() as file:
        listed = np.array([float(row["f_hz"]) for row in csv.DictReader(file)])
    found = rigid_hz(box_elements(np.array(feet) * FOOT_M, cells), HANDBOOK_SPEED, 205.0)
    assert found[: len(listed)] == pytest.approx(listed, rel=1e-3)
    assert found[len(listed)] > 200


def prism_hz(across, height, below_hz):
    """Frequencies of a prism from squared wavenumbers across it."""
    up = (np.arange(20) * np.pi / height) ** 2
    f = np.sqrt(np.add.outer(np.asarray(across), up)).ravel() * SPEED / (2 * np.pi)
    return np.sort(f[(f > 1) & (f <= below_hz)])


SIDE = 3.4
TRIANGLES = {
    # Symmetric modes of a square (from memory); Lame 1852, McCartin (from memory).
    "right isosceles": (
        [(0, 0), (SIDE, 0), (0, SIDE)],
        [(np.pi / SIDE) ** 2 * (m * m + n * n) for m in range(15) for n in range(m + 1)],
    ),
    "equilateral": (
        [(0, 0), (SIDE, 0), (SIDE / 2, SIDE * np.sqrt(3) / 2)],
        [
            (4 * np.pi / (3 * SIDE)) ** 2 * (m * m + m * n + n * n)
            for m in range(15)
            for n in range(15)
        ],
    ),
}


@pytest.mark.parametrize("name", TRIANGLES)
def test_triangular_prisms(name):
    """Closed forms, 0.2 % to 150 Hz."""
    outline, across = TRIANGLES[name]
    exact = prism_hz(across, 2.4, 150.0)
    room = outline_room(outline, 2.4, sources=[INSIDE], receivers=[INSIDE]).mesh
    elements = filled(room.vertices, room.triangles, INSIDE, 160.0)
    found = rigid_hz(elements, SPEED, 155.0)
    assert found[: len(exact)] == pytest.approx(exact, rel=2e-3)


# Zeros of the derivatives of Bessel functions J_m (from tables; computed): m, value.
CYLINDER = ((0, 3.83171), (1, 1.84118), (1, 5.33144), (2, 3.05424), (3, 4.20119), (4, 5.31755))


@pytest.mark.slow
def test_cylinder():
    """Rigid cylinder, radius 1.6 m, as a prism of 96 sides and equal area: 0.2 % below 150 Hz."""
    radius, sides = 1.6, 96
    corner = radius * np.sqrt(2 * np.pi / sides / np.sin(2 * np.pi / sides))
    angle = 2 * np.pi * np.arange(sides) / sides
    outline = corner * np.column_stack([np.cos(angle), np.sin(angle)])
    room = outline_room(outline, 2.4, sources=[INSIDE], receivers=[INSIDE]).mesh
    across = [0.0] + [(z / radius) ** 2 for m, z in CYLINDER for _ in range(2 if m else 1)]
    exact = prism_hz(across, 2.4, 150.0)
    elements = filled(room.vertices, room.triangles, INSIDE, 160.0)
    found = rigid_hz(elements, SPEED, 155.0)
    assert found[: len(exact)] == pytest.approx(exact, rel=2e-3)


# Zeros of the derivatives of spherical Bessel functions j_l: l, value; 2l + 1 modes each.
SPHERE = ((1, 2.08158), (2, 3.34209), (0, 4.49341), (3, 4.5141))


def test_sphere():
    """Rigid sphere of 1280 triangles with the volume of one of 1.7 m: 0.2 %."""
    room = sphere_room(1.0, 3)
    turned = room.mesh.vertices * 1.7 * (4 / 3 * np.pi / room.volume) ** (1 / 3)
    exact = np.repeat([z for _, z in SPHERE], [2 * order + 1 for order, _ in SPHERE])
    exact = exact * SPEED / (2 * np.pi * 1.7)
    elements = filled(turned, room.mesh.triangles, (0.1, 0.2, 0.3), 160.0)
    found = rigid_hz(elements, SPEED, 160.0)
    assert found[: len(exact)] == pytest.approx(exact, rel=2e-3)
