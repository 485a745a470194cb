"""What must not depend on how a mesh happens to be stored or placed."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from raysim.scene.facets import find_facets
from raysim.scene.heal import heal
from tests.meshes import (
    ATTIC_M3,
    area_of,
    attic,
    box,
    geometry,
    numbered,
    refined,
    turned_out,
    volume_of,
)

FRONT = np.array([0.0, 1.0, 0.0])
PARTS = {
    **attic(),
    "desk": [f for fs in box((1, 3, 0.1), (2.5, 3.7, 0.75)).values() for f in fs],
    "screen": [[(1, 1, 0), (1, 2, 0), (1, 2, 1.5), (1, 1, 1.5)]],
    **turned_out(box((-0.3, -0.3, -0.3), (4.5, 6.3, 3.0), "outer ")),
}
AIR_M3 = ATTIC_M3 - 1.5 * 0.7 * 0.65
FACETS = 7 + 6 + 2


def flipped(given_, seed):
    draw = np.random.default_rng(seed).random(len(given_.triangles)) < 0.4
    triangles = np.where(draw[:, None], given_.triangles[:, ::-1], given_.triangles)
    return replace(given_, triangles=triangles)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    turns=st.tuples(*[st.floats(-np.pi, np.pi)] * 3),
    times=st.integers(0, 1),
)
def test_order_winding_and_attitude_change_nothing(seed, turns, times):
    room = flipped(numbered(refined(geometry(PARTS), times), seed), seed)
    room = replace(room, vertices=Rotation.from_euler("xyz", turns).apply(room.vertices) + 3.0)
    healed = heal(room)
    assert volume_of(healed) == pytest.approx(AIR_M3, rel=1e-9)
    reference = heal(geometry(PARTS))
    assert area_of(healed) == pytest.approx(area_of(reference), rel=1e-9)
    assert sorted(zip(healed.names, healed.owners, strict=True)) == sorted(
        zip(reference.names, reference.owners, strict=True)
    )
    assert len(find_facets(healed, FRONT, 1)[1]) == FACETS


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), noise_m=st.floats(0, 2e-4))
def test_healing_twice_changes_nothing(seed, noise_m):
    room = flipped(numbered(refined(geometry(PARTS), 1), seed), seed)
    shaken = np.random.default_rng(seed).uniform(-noise_m, noise_m, room.vertices.shape)
    once = heal(replace(room, vertices=room.vertices + shaken))
    twice = heal(once)
    for field in ("vertices", "triangles", "group", "sheet"):
        assert np.array_equal(getattr(once, field), getattr(twice, field))
    assert (once.names, once.owners, once.notes) == (twice.names, twice.owners, twice.notes)
    # every vertex moved by at most the noise: area times that, over the volume
    assert volume_of(once) == pytest.approx(AIR_M3, abs=1e-6 + 2 * noise_m * 110)
