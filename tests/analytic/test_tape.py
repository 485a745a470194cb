"""The error of a tape against differences of exact images in a box measured anew."""

from __future__ import annotations

import numpy as np
import pytest

from raysim.theory.tape import delay_sensitivity, volume_sensitivity_m2
from tests.rooms import shoebox

SIZE = np.array([3.4, 4.2, 2.4])
SOURCE, RECEIVER = np.array([1.1, 0.6, 1.2]), np.array([1.7, 1.64, 1.1])
STEP_M = 1e-5


def image(source, walls, size):
    """Source mirrored in walls (axis, far), in order: planes x_axis = 0 or the size."""
    images = [source]
    for axis, far in walls:
        mirrored = images[-1].copy()
        mirrored[axis] = 2 * (size[axis] if far else 0.0) - mirrored[axis]
        images.append(mirrored)
    return images


def difference(parameters, walls):
    """Reflected less direct length from nine measured numbers."""
    source, receiver, size = parameters.reshape(3, 3)
    last = image(source, walls, size)[-1]
    return np.linalg.norm(last - receiver) - np.linalg.norm(source - receiver)


def path(walls):
    """Points and normals of the path, from the images back from the receiver."""
    images, points, target = image(SOURCE, walls, SIZE), [], RECEIVER
    for (axis, far), seen in zip(walls[::-1], images[:0:-1], strict=True):
        plane = SIZE[axis] if far else 0.0
        share = (plane - target[axis]) / (seen[axis] - target[axis])
        target = target + share * (seen - target)
        points.append(target)
    normals = [np.eye(3)[axis] * (-1 if far else 1) for axis, far in walls]
    return np.array(points[::-1]), np.array(normals)


@pytest.mark.parametrize(
    "walls",
    [
        [(2, False)],
        [(2, True)],
        [(0, True)],
        [(0, False), (1, True)],
        [(0, True), (0, False)],
        [(0, True), (0, False), (0, True)],
        [(1, False), (2, True), (0, True)],
    ],
)
def test_sensitivity_is_that_of_exact_images(walls):
    """Central differences of step h are wrong by about h^2 of third derivatives: below 1e-8."""
    points, normals = path(walls)
    assert (points >= -1e-9).all()
    assert (points <= SIZE + 1e-9).all()
    middle = np.concatenate([SOURCE, RECEIVER, SIZE])
    slopes = [
        (difference(middle + step, walls) - difference(middle - step, walls)) / (2 * STEP_M)
        for step in STEP_M * np.eye(9)
    ]
    far = [is_far for _, is_far in walls]
    expected = np.sqrt(np.square(slopes).sum())
    assert delay_sensitivity(SOURCE, RECEIVER, points, normals, far) == pytest.approx(
        expected, abs=1e-7
    )


def test_direct_sound_has_no_delay_to_be_wrong():
    assert delay_sensitivity(SOURCE, RECEIVER, np.zeros((0, 3)), np.zeros((0, 3)), []) == 0


def test_volume_of_a_box_by_its_three_lengths():
    length, width, height = 4.2, 3.4, 2.4
    expected = np.linalg.norm([width * height, length * height, length * width])
    corners = shoebox((length, width, height)).mesh.corners
    assert volume_sensitivity_m2(corners) == pytest.approx(expected, rel=1e-12)
