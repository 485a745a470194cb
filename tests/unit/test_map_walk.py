"""Maps by sixteen rays abreast against one ray after the other."""

from __future__ import annotations

import numpy as np
import pytest

from raysim.kernels import sensitivity
from raysim.kernels.directions import start_direction
from raysim.kernels.maps import Mapped, Wanted, map_rays
from raysim.kernels.ray import Plan
from raysim.kernels.threads import cores, set_num_threads
from raysim.kernels.uniform import uniform
from raysim.solvers.maps import grid_of
from tests.plain.maps import follow_and_map
from tests.plain.walk import streams
from tests.rooms import pack_box

SEED, BATCHES, RAYS, BINS, BIN_S = 3, 2, 37, 60, 0.002
BANDS, QUANTITIES, WINDOWS = 2, 2, 3


def new_sums(patches, *groups):
    """Nothing mapped yet."""
    return Mapped(
        np.zeros((*groups, WINDOWS, patches, BANDS)),
        np.zeros((*groups, 2, WINDOWS, patches, BANDS)),
        np.zeros((*groups, QUANTITIES, 2, patches, BANDS)),
        np.zeros((*groups, 6, BANDS)),
    )


def map_both(covered: bool) -> tuple[Mapped, Mapped]:
    """Of both ways what is mapped, by group."""
    absorption = {"floor": 0.2, "left": (1.0, 0.1), "other": 0.1}
    scene, packed = pack_box(absorption, 0.1, (0.4, 0.3, 2.5, 3.2) if covered else None)
    patches, count = grid_of(scene)[0], grid_of(scene)[1].size
    plan = Plan(10**6, packed.speed, packed.attenuation, packed.speed * BINS * BIN_S, BIN_S)
    room = packed.room(plan)
    weight = np.random.default_rng(1).normal(size=(1, QUANTITIES, 2, BINS, BANDS))
    weight[:, 0, :, 20:] = 0.0
    ends, heard = np.array([0.015, 0.05]), (weight != 0).any(axis=-1)
    wanted = Wanted(patches, packed.direct_m, ends, weight, heard)
    found, expected = new_sums(count, 1, BATCHES), new_sums(count, 1, BATCHES)
    lost, where = np.zeros((1, BATCHES), np.int64), np.zeros((1, BATCHES, 6))
    map_rays(
        *(room, wanted, packed.sources, packed.emission),
        *(SEED, BATCHES, (0, 1), RAYS, found, lost, where),
    )
    assert lost.sum() == 0
    for batch in range(BATCHES):
        portion, own = streams(SEED, 0, batch, 0, RAYS)
        heroes = room.boundary.scattering.shape[1]
        first = int(uniform(portion, 2) * heroes)
        out = Mapped(*(sums[0, batch] for sums in expected))
        for i, stream in enumerate(own):
            hero, d = (i + first) % heroes, start_direction(portion, i)
            follow_and_map(room, wanted, 0, packed.sources[0], d, hero, stream, out)
    return found, expected


def assert_alike(found: Mapped, expected: Mapped) -> None:
    """To rounding, patch by patch and entry by entry."""
    for name, one, other in zip(Mapped._fields, found, expected, strict=True):
        scale = np.abs(other).max()
        assert scale > 0.0
        np.testing.assert_allclose(one, other, rtol=1e-6, atol=1e-9 * scale, err_msg=name)


@pytest.mark.parametrize("covered", [False, True], ids=["bare", "panel"])
def test_as_one_ray_after_the_other(covered) -> None:
    """Energies, slopes and books, where a surface returns nothing in one band."""
    found, expected = map_both(covered)
    assert (np.abs(expected.slope) > 0).sum() > 500
    assert_alike(found, expected)


@pytest.mark.parametrize("kept", [1, 3])
def test_more_arrivals_than_are_kept(kept, monkeypatch) -> None:
    """A ray's arrivals are settled in parts where they are many."""
    monkeypatch.setattr(sensitivity, "KEPT", kept)
    assert_alike(*map_both(covered=True))


def test_same_bits_on_any_number_of_threads() -> None:
    """Each group of each source is a task of its own."""
    try:
        set_num_threads(1)
        alone, _ = map_both(covered=True)
        set_num_threads(2)
        shared, _ = map_both(covered=True)
    finally:
        set_num_threads(cores())
    for one, other in zip(alone, shared, strict=True):
        np.testing.assert_array_equal(one, other)
