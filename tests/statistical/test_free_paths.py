"""Free paths between Lambert reflections: mean, variance and fourth moment of chords."""

import numpy as np
import pytest

from raysim.kernels.walk import free_paths
from raysim.solvers.pack import pack
from tests.rooms import shoebox, sphere_room
from tests.statistical.significance import assert_p_value, deviations, is_rejected, p_of_z

RAYS, BLOCKS, PER_RAY = 32000, 64, 40


def moments(scene, seed):
    """Per block of rays: mean free path, mean square, mean fourth power; (blocks, 3)."""
    packed = pack(scene, 0.25)
    paths = np.empty((RAYS, PER_RAY))
    free_paths(packed.tree, packed.sources[:1], seed, RAYS, 25, PER_RAY, paths)
    blocks = paths.reshape(BLOCKS, -1)
    return np.stack([(blocks**power).mean(axis=1) for power in (1, 2, 4)], axis=1)


def p_of(values, expected):
    return p_of_z(float(deviations(values, np.asarray(expected))), len(values))


@pytest.mark.parametrize(
    ("size", "variance"), [((3.0, 3.0, 3.0), 0.3450), ((7.01, 5.18, 2.74), 0.3742)]
)
def test_free_paths_of_a_box(size, variance):
    """Mean 4V/S to 0.1 % (0.05 % standard error), relative variance to 0.2 % (computed from 64 M
    paths, +-0.0001), fourth moment 12 V^2/(pi S) (exact).

    Negative control: a mean 0.4 % low, as from leaving out each ray's last segment.
    """
    scene = shoebox((size[1], size[0], size[2]), scattering=1.0, bands_hz=(1000,))
    first, second, fourth = moments(scene, 17).T
    volume, area = scene.volume, scene.area
    mean = 4 * volume / area
    assert_p_value("free paths", p_of(first, mean))
    assert first.mean() == pytest.approx(mean, rel=1.5e-3)
    assert_p_value("free paths", p_of(second, mean**2 * (1 + variance)))
    assert second.mean() / mean**2 - 1 == pytest.approx(variance, abs=0.006 * (1 + variance))
    assert_p_value("free paths", p_of(fourth, 12 * volume**2 / (np.pi * area)))
    assert is_rejected(p_of(first, 0.996 * mean))
    assert is_rejected(p_of(second, mean**2 * (1 + variance) * 1.01))


def test_free_paths_of_a_sphere():
    """Relative variance 1/8 exactly (chord law l/(2 R^2)), mean 4V/S; a mesh of 5120 triangles,
    whose chords differ from the sphere's by less than its 0.2 % of volume.
    """
    scene = sphere_room(2.0, 4, bands_hz=(1000,))
    first, second, _ = moments(scene, 18).T
    mean = 4 * scene.volume / scene.area
    assert_p_value("free paths", p_of(first, mean))
    assert second.mean() / mean**2 - 1 == pytest.approx(0.125, abs=0.002)
