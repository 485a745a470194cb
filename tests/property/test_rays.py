"""What must not change when the same room is told otherwise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raysim.scene.geometry import Geometry
from raysim.settings import BATCHES, Settings
from raysim.solvers.run import run
from tests.rooms import from_geometry, outline_room
from tests.statistical.significance import assert_p_value, is_rejected, p_of_largest

OUTLINE = [(0, 0.6), (0.9, 0), (3.3, 0), (4.2, 0.6), (4.9, 4.8), (-0.7, 4.5)]
CEILING = [(x, y, 2.4 - 0.07 / 0.6 * y) for x, y in OUTLINE]
SOURCE, RECEIVER = (1.3, 0.9, 1.25), (2.2, 3.1, 1.1)
ABSORPTION = {"floor": 0.3, "wall2": 0.5, "other": 0.1}
PORTIONS_S = (0.0, 0.005, 0.010, 0.020, 0.040)


def splayed(source=SOURCE, receiver=RECEIVER, absorption=ABSORPTION, scattering=0.3):
    return outline_room(
        OUTLINE, CEILING, absorption, scattering, [source], [receiver], bands_hz=(1000,)
    )


def retold(scene, change, pieces=1, order=None):
    """The scene again from bare triangles: points moved by `change`, triangles split in 4."""
    corners = scene.mesh.corners
    surface = scene.mesh.surface
    for _ in range(pieces - 1):
        a, b, c = corners.transpose(1, 0, 2)
        ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
        corners = np.concatenate(
            [np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
        )
        surface = np.tile(surface, 4)
    if order is not None:
        shuffled = order(len(corners))
        corners, surface = corners[shuffled], surface[shuffled]
    vertices, index = np.unique(
        change(corners.reshape(-1, 3)).round(12), axis=0, return_inverse=True
    )
    names = tuple(s.name for s in scene.surfaces)
    geometry = Geometry(
        vertices=vertices,
        triangles=index.reshape(-1, 3),
        group=surface,
        names=names,
        owners=("room",) * len(names),
        sheet=np.zeros(len(surface), bool),
    )
    place = [change(np.array([p.position]))[0] for p in (scene.sources[0], scene.receivers[0])]
    return from_geometry(
        geometry, ABSORPTION, 0.3, [place[0]], [place[1]], bands_hz=(1000,), handedness=1
    )


def traced(scene, seed=3, rays=65536, order=1):
    return run(scene, Settings(rays=rays, seed=seed, image_order=order, duration_s=0.08))


def paths(result):
    """Length, energy and names of the surfaces met, by length."""
    scene = result.scene
    return sorted(
        (r.length_m, float(r.energy[0]), tuple(scene.facets[f].name for f in r.facets))
        for r in result.reflections
    )


def assert_same_paths(one, other):
    assert len(one) == len(other)
    for (length, energy, names), (length_2, energy_2, names_2) in zip(one, other, strict=True):
        assert length_2 == pytest.approx(length, abs=1e-9)
        assert energy_2 == pytest.approx(energy, rel=1e-9)
        assert names_2 == names


def difference(one, other):
    first = np.rint(np.array(PORTIONS_S) / one.bin_s).astype(int)
    a, b = (np.add.reduceat(r.energy_batches[:, 0, 0, 0, 0], first, axis=-1) for r in (one, other))
    error = np.hypot(a.std(axis=0, ddof=1), b.std(axis=0, ddof=1)) / np.sqrt(BATCHES)
    return (a.mean(axis=0) - b.mean(axis=0)) / error


def p_of_difference(one, other):
    return p_of_largest(difference(one, other), 2 * BATCHES - 1)


def test_exchange_of_source_and_receiver():
    """Exact paths the same, backwards; the rest within its error. Negative control: a receiver
    1.3 m away.
    """
    there, back = traced(splayed()), traced(splayed(RECEIVER, SOURCE), seed=4)
    turned = sorted((length, energy, names[::-1]) for length, energy, names in paths(back))
    assert_same_paths(paths(there), turned)
    assert_p_value("exchange", p_of_difference(there, back))
    elsewhere = traced(splayed((RECEIVER[0] - 1.3, *RECEIVER[1:]), SOURCE), seed=4)
    assert is_rejected(p_of_difference(there, elsewhere))


def rotation(axis, angle):
    """Rodrigues' formula."""
    x, y, z = axis / np.linalg.norm(axis)
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


@settings(max_examples=8, deadline=None, derandomize=True)
@given(
    axis=st.tuples(*[st.floats(0.1, 1.0)] * 3),
    angle=st.floats(0, 6.28),
    shift=st.tuples(*[st.floats(-20, 20)] * 3),
)
def test_paths_turn_with_the_room(axis, angle, shift):
    scene = splayed()
    turn = rotation(np.array(axis), angle)
    moved = retold(scene, lambda points: points @ turn.T + shift)
    before = run(scene, Settings(rays=32, image_order=2, duration_s=0.08))
    after = run(moved, Settings(rays=32, image_order=2, duration_s=0.08))
    one, other = paths(before), paths(after)
    assert len(one) == len(other)
    np.testing.assert_allclose(
        [p[:2] for p in other], [p[:2] for p in one], rtol=1e-8, err_msg="lengths and energies"
    )


def test_energy_turns_with_the_room():
    """Turned about a slanted axis and shifted; the same energies within error."""
    scene = splayed()
    turn = rotation(np.array([0.3, 0.5, 0.8]), 1.1)
    moved = retold(scene, lambda points: points @ turn.T + (3.0, -8.0, 1.0))
    p = p_of_difference(traced(scene), traced(moved, seed=6))
    assert_p_value("turned and shifted", p)


@pytest.mark.parametrize("pieces", [1, 2, 3])
def test_split_and_reordered_triangles(pieces):
    """Facets and random numbers stay, so the energies do, but for rounding at bin edges."""
    scene = splayed()
    other = retold(scene, lambda p: p, pieces, np.random.default_rng(8).permutation)
    first = retold(scene, lambda p: p)
    one, two = traced(first, rays=16384), traced(other, rays=16384)
    assert_same_paths(paths(one), paths(two))
    total_1, total_2 = (r.energy_batches[:, 0].sum(axis=-1) for r in (one, two))
    np.testing.assert_allclose(total_2, total_1, rtol=1e-6)
    different = traced(first, seed=4, rays=16384).energy_batches[:, 0].sum(axis=-1)
    assert np.abs(different / total_1 - 1).max() > 1e-3


@settings(max_examples=6, deadline=None, derandomize=True)
@given(more=st.floats(0.01, 0.1), wall=st.sampled_from(["floor", "wall2", "wall5", "ceiling"]))
def test_more_absorption_never_raises_energy(more, wall):
    """Common random numbers: no bin of any batch rises, while no ray is faint (below -30 dB)."""
    some = {"other": 0.08}
    before = run(splayed(absorption=some), Settings(rays=32, image_order=1, duration_s=0.04))
    after = run(
        splayed(absorption={**some, wall: 0.08 + more}),
        Settings(rays=32, image_order=1, duration_s=0.04),
    )
    assert np.all(after.energy_batches <= before.energy_batches * (1 + 1e-12))
    assert after.energy.sum() < before.energy.sum()
