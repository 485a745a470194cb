"""Sixteen rays abreast against one after the other."""

from __future__ import annotations

import numpy as np
import pytest

from raysim.kernels.directions import start_direction
from raysim.kernels.ray import Plan
from raysim.kernels.uniform import uniform
from raysim.kernels.walk import trace
from tests.plain.walk import follow, streams
from tests.rooms import pack_box

SEED, BATCHES, BINS = 3, 2, 60


HARD = 0.01
PART, WHOLE = (0.4, 0.3, 2.5, 3.2), (0.0, 0.0, 9.0, 9.0)


def trace_both(packed, bin_s, rays):
    """Energy (batch, variant, source, receiver, band, time) and reflections of both ways."""
    plan = Plan(
        10**6, packed.speed, packed.attenuation, packed.speed * BINS * bin_s, bin_s, faint=1e-3
    )
    room, offset = packed.room(plan), packed.direct_m
    out, reflections = np.empty((BATCHES, 2, 1, 2, 2, BINS)), np.zeros((1, BATCHES), np.int64)
    lost, where = np.zeros((1, BATCHES), np.int64), np.zeros((1, BATCHES, 6))
    trace(
        *(room, offset, packed.sources, packed.emission),
        *(SEED, BATCHES, 0, rays, out, reflections, lost, where),
    )
    assert lost.sum() == 0
    expected, counted = np.zeros((1, BATCHES, 2, BINS, 2, 2)), np.zeros((1, BATCHES), np.int64)
    for batch in range(BATCHES):
        portion, own = streams(SEED, 0, batch, 0, rays)
        heroes = 2 * room.boundary.scattering.shape[1]
        first = int(uniform(portion, 2) * heroes)
        for i, stream in enumerate(own):
            hero, d = (i + first) % heroes, start_direction(portion, i)
            into = expected[0, batch]
            counted[0, batch] += follow(room, offset[0], packed.sources[0], d, hero, stream, into)
    return out, expected.transpose(1, 4, 0, 2, 5, 3) / rays, reflections, counted


@pytest.mark.parametrize("floor_absorbs", [0.5, 1.0], ids=["usual floor", "nothing to share"])
def test_as_one_ray_after_the_other(floor_absorbs) -> None:
    """The same decisions, so the same histogram to rounding; a ray's end lets the next one in."""
    others = 0.01 if floor_absorbs == 1.0 else 0.3
    packed = pack_box({"floor": floor_absorbs, "other": others}, HARD, None, PART)[1]
    out, expected, reflections, counted = trace_both(packed, bin_s=0.002, rays=37)
    np.testing.assert_array_equal(reflections, counted)
    assert (expected > 0).sum() > 60
    assert (expected[:, 1] > 0).sum() > 25
    np.testing.assert_allclose(out, expected, rtol=1e-6, atol=1e-9 * expected.max())


def test_factor_of_a_variant_beyond_what_a_number_holds() -> None:
    """A floor that returns 0.15 %: the panel's factor grows 600-fold with each of 100 meetings.

    Paths of 1.6 km differ by rounding, so single chords do.
    """
    packed = pack_box({"floor": 0.9985, "other": 0.01}, HARD, None, WHOLE)[1]
    out, expected, reflections, counted = trace_both(packed, bin_s=0.08, rays=9)
    assert counted.sum() > 10_000
    np.testing.assert_allclose(reflections, counted, rtol=0.01)
    np.testing.assert_allclose(out.sum(axis=-1), expected.sum(axis=-1), rtol=0.02)
    late = out[:, 1, ..., BINS // 2 :].sum()
    np.testing.assert_allclose(late, expected[:, 1, ..., BINS // 2 :].sum(), rtol=0.2)
