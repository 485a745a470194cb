"""Variants on one trace: each is what its own trace would give, and differences are far surer."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from raysim.kernels.ray import Plan
from raysim.scene.read import load_scene
from raysim.scene.variants import Cover
from raysim.settings import BATCHES
from raysim.solvers.early import early_histogram, find_reflections
from raysim.solvers.late import trace_round
from raysim.solvers.pack import pack
from tests.statistical.significance import assert_p_value, is_rejected, p_of_largest
from tests.statistical.test_image_order import difference

SCENE = Path(__file__).resolve().parents[2] / "scenes" / "control_room.toml"
ORDER, BINS, BIN_S, ROUNDS = 2, 120, 0.001, 4
WINDOWS = np.array([0, 5, 10, 20, 40, 80])


@pytest.fixture(scope="module")
def room():
    """The control room with an absorber and a diffuser more in its list of materials."""
    scene = load_scene(SCENE)
    like = scene.materials[0]
    bands = len(scene.bands_hz)
    absorber = dataclasses.replace(
        like, name="absorber", absorption=np.full(bands, 0.9), scattering=np.full(bands, 0.2)
    )
    diffuser = dataclasses.replace(
        like,
        name="diffuser",
        absorption=np.full(bands, 0.1),
        scattering=np.linspace(0.3, 0.9, bands),
    )
    return dataclasses.replace(scene, materials=(*scene.materials, absorber, diffuser))


def largest_facet(room, surface):
    """Index of the largest facet of a surface."""
    own = (i for i, f in enumerate(room.facets) if room.surfaces[f.surface].name == surface)
    return max(own, key=lambda i: room.facets[i].area)


def covers(room):
    """Bare; a panel on each side wall; a diffusing rear with a panel in it; a layer on top."""
    absorber, diffuser = len(room.materials) - 2, len(room.materials) - 1
    sides = tuple(
        Cover(largest_facet(room, name), (1.0, 0.8, 2.2, 1.4), absorber)
        for name in ("left_wall", "right_wall")
    )
    rear = largest_facet(room, "rear_wall")
    whole = Cover(rear, (-1.0, -1.0, 99.0, 99.0), diffuser)
    return (), sides, (whole, Cover(rear, (1.0, 0.5, 2.0, 1.5), absorber)), (*sides, whole)


def traced(room, covers, seed, rounds=ROUNDS):
    """(batch, variant, source, receiver, band, window) of `rounds` rounds."""
    packed = pack(room, 0.25, covers)
    longest = packed.direct_m.max() + BINS * BIN_S * packed.speed
    plan = Plan(ORDER, packed.speed, packed.attenuation, longest, BIN_S)
    shape = (len(covers), *packed.direct_m.shape, len(room.bands_hz), BINS)
    early = early_histogram(find_reflections(room, packed, ORDER, longest), shape, BIN_S)
    late = sum(trace_round(packed, plan, seed, k, BINS).energy for k in range(rounds)) / rounds
    return np.add.reduceat(early + late, WINDOWS, axis=-1)


def test_each_variant_is_its_own_trace(room):
    """Four variants of different absorption and scattering, together and alone.

    Negative control: the second against panels that fill the walls.
    """
    every = covers(room)
    together = traced(room, every, seed=21)
    alone = [traced(room, (own,), seed=30 + i)[:, 0] for i, own in enumerate(every)]
    for v, own in enumerate(alone):
        z = difference(together[:, v].sum(axis=(1, 2)), own.sum(axis=(1, 2)))
        assert_p_value("variants on one trace", p_of_largest(z, 2 * BATCHES - 1), f"{v}: {z}")
    wide = tuple(dataclasses.replace(c, rect=(-1.0, -1.0, 99.0, 99.0)) for c in every[1])
    filled = traced(room, (wide,), seed=40)[:, 0]
    wrong = difference(together[:, 1].sum(axis=(1, 2)), filled.sum(axis=(1, 2)))
    assert is_rejected(p_of_largest(wrong, 2 * BATCHES - 1))


def test_a_variant_equal_to_the_base_differs_by_nothing(room):
    """Also one that hangs what is there anyway."""
    _, sides, *_ = covers(room)
    surface = room.facets[sides[0].facet].surface
    same = dataclasses.replace(sides[0], material=room.surfaces[surface].material)
    energy = traced(room, ((), (), (same,)), seed=3, rounds=1)
    np.testing.assert_array_equal(energy[:, 0], energy[:, 1])
    np.testing.assert_allclose(energy[:, 2], energy[:, 0], rtol=1e-12)


def test_one_panel_is_known_three_times_better_on_one_trace(room):
    """1.2 by 0.6 m of absorber: error of the difference of levels, paired and unpaired."""
    panel = covers(room)[1][:1]
    together = traced(room, ((), panel), seed=4)
    apart = traced(room, (panel,), seed=5)
    bare, hung = (10 * np.log10(together[:, v].sum(axis=-1)) for v in (0, 1))
    other = 10 * np.log10(apart[:, 0].sum(axis=-1))
    paired = np.median((hung - bare).std(axis=0))
    unpaired = np.median(np.hypot(bare.std(axis=0), other.std(axis=0)))
    assert unpaired > 3 * paired, (unpaired, paired)
