"""Mirrored paths that rays find: exact, and taken from what rays count."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from raysim.kernels.ray import Plan
from raysim.loudspeakers.directivity import Directivity
from raysim.scene.read import load_scene
from raysim.settings import BATCHES, Settings
from raysim.solvers import aim, mirrored
from raysim.solvers.early import early_histogram, find_reflections
from raysim.solvers.late import trace_round
from raysim.solvers.mirrored import Mirrored
from raysim.solvers.pack import pack
from tests.rooms import shoebox
from tests.statistical.significance import assert_p_value, deviations, is_rejected, p_of_largest
from tests.statistical.test_loudspeakers import MONITOR, directivity_of
from tests.statistical.test_variants import covers, room  # noqa: F401

BIN_S, SEED, MARGIN = 0.001, 17, 0.01


def plan_of(packed, bins, order):
    longest = packed.direct_m.max() + bins * BIN_S * packed.speed
    return Plan(order, packed.speed, packed.attenuation, longest, BIN_S)


def monitors(scene):
    """The same room with a directional loudspeaker for its first source."""
    directivity: Directivity = directivity_of(MONITOR, scene.bands_hz, scene.climate.speed_of_sound)
    first = dataclasses.replace(
        scene.sources[0], aim=scene.receivers[0].position, directivity=directivity
    )
    return dataclasses.replace(scene, sources=(first, *scene.sources[1:]))


def test_paths_that_rays_find_bring_what_images_bring(room):  # noqa: F811
    """Up to three reflections, in four variants and six bands, from a loudspeaker and an omni.

    What is found beyond order 0 less what is found beyond order 3 is what all sequences of facets
    give; the same rays search both times. Not one path is missed.
    """
    scene, own = monitors(room), covers(room)
    packed, bins = pack(scene, 0.25, own), 60
    shape = (len(own), *packed.direct_m.shape, len(scene.bands_hz), bins)
    images, found = {}, {}
    for order in (0, 3):
        plan = plan_of(packed, bins, order)
        listed = find_reflections(scene, packed, order, plan.longest)
        images[order] = early_histogram(listed, shape, BIN_S)
        found[order] = np.zeros(shape)
        Mirrored(packed, plan, SEED, found[order]).learn(0)
    expected = images[3] - images[0]
    assert (expected > 0).sum() > 1000
    np.testing.assert_allclose(found[0] - found[3], expected, rtol=1e-9, atol=1e-9 * expected.max())


def test_sum_is_the_same_however_much_is_known():
    """The same rays, all counted, and without what is known, which is added exactly.

    A box, of which the sphere sees what its centre sees; three bands, seven windows to 100 ms.
    Negative control: what is known isn't added.
    """
    scene = shoebox((4.2, 3.3, 2.6), 0.2, (0.02, 0.1, 0.4), bands_hz=(250, 500, 1000))
    packed, bins = pack(scene, 0.25, growth=0.1), 100
    plan = plan_of(packed, bins, 1)
    exact = np.zeros((1, 1, 1, 3, bins))
    keys = Mirrored(packed, plan, SEED, exact).learn(0)
    assert len(keys) > 1000
    counted, less = (
        sum(trace_round(packed, plan, SEED, k, bins, exact=known).energy for k in range(6)) / 6
        for known in (keys[:0], keys)
    )
    windows = np.array([0, 6, 12, 20, 32, 48, 70])
    change, added = (
        np.add.reduceat(energy, windows, axis=-1) for energy in (counted - less, exact)
    )
    p = p_of_largest(deviations(change, added), BATCHES)
    assert_p_value("known paths", p)
    assert is_rejected(p_of_largest(deviations(change, 0 * added), BATCHES))


def test_what_is_known_does_not_depend_on_the_way():
    """Round after round, or at once: the same keys and the same energy, bit by bit."""
    scene = shoebox((4.2, 3.3, 2.6), 0.2, 0.1)
    packed = pack(scene, 0.25, growth=0.1)
    plan = plan_of(packed, 100, 1)
    energy = np.zeros((2, 1, 1, 1, len(scene.bands_hz), 100))
    steps, at_once = (Mirrored(packed, plan, SEED, one) for one in energy)
    first = steps.learn(0)
    steps.learn(1)
    np.testing.assert_array_equal(steps.learn(3), at_once.learn(3))
    np.testing.assert_array_equal(energy[0], energy[1])
    assert len(first) < len(steps.learn(3))


@pytest.mark.parametrize("receivers", [1, 20])
def test_search_is_shared_out_among_receivers(receivers):
    """Many receivers are searched by fewer rays each, and each near path is found."""
    seats = [(1.0 + 0.1 * i, 1.0 + 0.05 * i, 1.2) for i in range(receivers)]
    scene = shoebox((4.2, 3.3, 2.6), 0.2, 0.0, sources=[(2.0, 2.0, 1.5)], receivers=seats)
    packed = pack(scene, 0.1)
    plan = plan_of(packed, 12, 0)
    energy = np.zeros((1, 1, receivers, len(scene.bands_hz), 12))
    Mirrored(packed, plan, SEED, energy).learn(0)
    listed = [r for r in find_reflections(scene, packed, 3, plan.longest) if len(r.facets)]
    expected = early_histogram(listed, energy.shape, BIN_S)
    first_ms = slice(0, 5)  # no path of four reflections is as short
    np.testing.assert_allclose(energy[..., first_ms], expected[..., first_ms], rtol=1e-9)


@pytest.mark.slow
def test_aimed_search_agrees_with_an_even_one(monkeypatch):
    """In a room where edges hide a receiver's centre from part of its sphere, on the same traces.

    A search that found rather what the very point sees than what its sphere sees would bring too
    much. Octaves of 250 Hz and 1 kHz from 15 to 196 ms, within 1 % and three standard errors.
    Negative control: a tenth of what is found, once more.
    """
    scenes, usual = Path(__file__).resolve().parents[2] / "scenes", Settings()
    scene = load_scene(scenes / "control_room.toml")
    packed = pack(scene, usual.receiver_radius_m, growth=usual.receiver_growth)
    bins, rounds, start, end = 196, 36, 15, 196
    plan = plan_of(packed, bins, 3)
    octaves = [scene.bands_hz.index(band) for band in (250.0, 1000.0)]

    def sums(rays):
        monkeypatch.setattr(mirrored, "AT_FIRST", rays)
        monkeypatch.setattr(mirrored, "IN_ALL", rays)
        exact = np.zeros((1, *packed.direct_m.shape, len(scene.bands_hz), bins))
        keys = Mirrored(packed, plan, SEED, exact).learn(0)
        counted = sum(
            trace_round(packed, plan, SEED, k, bins, exact=keys).energy for k in range(rounds)
        )
        parts = counted / rounds, exact
        return tuple(energy[..., octaves, start:end].sum(axis=-1) for energy in parts)

    counted, added = sums(65536)
    monkeypatch.setattr(aim, "EVENLY", 1.0)
    even_counted, even_added = sums(786432)
    change, total = counted - even_counted, even_counted.mean(axis=0) + even_added
    error = change.std(axis=0, ddof=1) / np.sqrt(BATCHES)
    apart = np.abs(change.mean(axis=0) + added - even_added)
    assert (error < 0.02 * total).all()
    assert (apart < MARGIN * total + 3 * error).all()
    once_more = change.mean(axis=0) + 1.1 * added - even_added
    assert not (np.abs(once_more) < MARGIN * total + 3 * error).all()
