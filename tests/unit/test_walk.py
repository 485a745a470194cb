"""Sixteen rays abreast against one after the other."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from raysim.kernels.directions import start_direction
from raysim.kernels.ray import Plan
from raysim.kernels.uniform import uniform
from raysim.kernels.walk import trace
from raysim.scene.variants import Cover
from raysim.solvers.pack import pack
from tests.plain.walk import follow, streams
from tests.rooms import shoebox

SEED, BATCHES, RAYS, BINS, BIN_S = 3, 2, 37, 60, 0.002


@pytest.fixture(scope="module")
def packed():
    """A box that scatters by band, bare and with a panel on its floor."""
    scene = shoebox(
        (3.0, 4.0, 2.5),
        {"floor": 0.5, "other": 0.3},
        {"floor": (0.2, 0.5), "other": (0.4, 0.1)},
        bands_hz=(500, 2000),
        sources=[(1.0, 1.1, 1.2)],
        receivers=[(2.0, 2.5, 1.3), (0.8, 3.1, 1.1)],
    )
    panel = dataclasses.replace(
        scene.materials[0], name="panel", absorption=np.full(2, 0.9), scattering=np.full(2, 0.6)
    )
    scene = dataclasses.replace(scene, materials=(*scene.materials, panel))
    floor = next(i for i, f in enumerate(scene.facets) if f.normal[2] > 0.9)
    cover = Cover(floor, (0.4, 0.3, 2.5, 3.2), len(scene.materials) - 1)
    return pack(scene, 0.25, ((), (cover,)), growth=0.1)


def test_as_one_ray_after_the_other(packed) -> None:
    """The same decisions, so the same histogram to rounding; a ray's end lets the next one in."""
    plan = Plan(10**6, packed.speed, packed.attenuation, packed.speed * BINS * BIN_S, BIN_S)
    room, offset = packed.room(plan), packed.direct_m
    shape = (1, BATCHES, 2, BINS, 2, 2)
    out, reflections = np.zeros(shape), np.zeros((1, BATCHES), np.int64)
    lost, where = np.zeros((1, BATCHES), np.int64), np.zeros((1, BATCHES, 6))
    trace(
        *(room, offset, packed.sources, packed.emission),
        *(SEED, BATCHES, 0, RAYS, out, reflections, lost, where),
    )
    expected, counted = np.zeros(shape), np.zeros((1, BATCHES), np.int64)
    for batch in range(BATCHES):
        portion, own = streams(SEED, 0, batch, 0, RAYS)
        heroes = 2 * room.boundary.scattering.shape[1]
        first = int(uniform(portion, 2) * heroes)
        for i, stream in enumerate(own):
            hero, d = (i + first) % heroes, start_direction(portion, i)
            into = expected[0, batch]
            counted[0, batch] += follow(room, offset[0], packed.sources[0], d, hero, stream, into)
    np.testing.assert_array_equal(reflections, counted)
    assert lost.sum() == 0
    assert (expected > 0).sum() > 100
    np.testing.assert_allclose(out, expected, rtol=1e-6, atol=1e-9 * expected.max())
