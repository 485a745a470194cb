"""Maps: books that balance, a uniform field where theory has one, slopes against differences."""

import dataclasses

import numpy as np
import pytest

from raysim.kernels.ray import Plan
from raysim.results.data import MAP_QUANTITIES, MAP_WINDOWS_S
from raysim.scene.variants import Cover
from raysim.settings import BATCHES
from raysim.solvers.early import early_histogram, find_reflections
from raysim.solvers.late import trace_round
from raysim.solvers.maps import GROUPS, map_room
from raysim.solvers.pack import pack
from raysim.theory.decay import decay_time
from tests.rooms import shoebox, sphere_room
from tests.statistical.significance import (
    assert_p_value,
    is_rejected,
    p_of_chi_square,
    p_of_largest,
)

ORDER, BINS, BIN_S, ROUNDS = 1, 300, 0.001, 12
STEP = 0.2


@pytest.fixture(scope="module")
def room():
    """A box of uneven absorption; every surface has a material of its own."""
    return shoebox(
        (5.0, 4.0, 2.6),
        {"floor": 0.4, "front": 0.3, "left": 0.25, "other": 0.2},
        {"left": 0.3, "other": 0.2},
        sources=[(1.0, 1.0, 1.2)],
        receivers=[(2.2, 3.4, 1.2)],
    )


def traced(scene, covers):
    """Energy (batch, variant, source, receiver, band, time), the plan and the exact paths."""
    packed = pack(scene, 0.25, covers)
    longest = packed.direct_m.max() + BINS * BIN_S * packed.speed
    faint = 1e-3  # fewer chances that small changes turn
    plan = Plan(ORDER, packed.speed, packed.attenuation, longest, BIN_S, faint)
    shape = (len(covers), *packed.direct_m.shape, len(scene.bands_hz), BINS)
    paths = find_reflections(scene, packed, ORDER, longest)
    late = sum(trace_round(packed, plan, 7, k, BINS).energy for k in range(ROUNDS)) / ROUNDS
    return early_histogram(paths, shape, BIN_S) + late, plan, paths


@pytest.fixture(scope="module")
def maps(room):
    energy, plan, paths = traced(room, ((),))
    packed = pack(room, 0.25)
    return map_room(room, packed, plan, 7, ROUNDS, energy.mean(axis=0)[0], paths)


def test_books_balance(maps):
    """Emitted = absorbed + air + left at the end + lost + what chance took."""
    emitted, rest = maps.books[:, 0], maps.books[:, 1:]
    np.testing.assert_allclose(rest.sum(axis=1), emitted, rtol=1e-9)
    assert maps.books[:, 4].max() == 0.0


def test_what_falls_on_a_surface_is_what_it_absorbs(room, maps):
    """Incident energy times absorption, over all patches, is the absorbed energy of the books."""
    incident = np.nan_to_num(maps.incident[0].sum(axis=2)) * maps.area_m2[:, None, None]
    counts = maps.columns * maps.rows
    surface = np.repeat([f.surface for f in room.facets], counts)
    absorption = np.stack([room.materials[s.material].absorption for s in room.surfaces])[surface]
    absorbed = (incident * absorption[:, None]).sum(axis=0)
    np.testing.assert_allclose(absorbed, maps.books[:, 1], rtol=1e-9)


def test_a_diffusing_sphere_is_lit_evenly():
    """From its centre every patch of a sphere gets the same, at any time: chi-square over parts.

    Negative control: a source near the wall, whose first light falls unevenly.
    """

    def parts(position):
        scene = sphere_room(2.0, 3, 0.3, 1.0, sources=[position], receivers=[(0.5, 0.2, 0.3)])
        energy = np.ones((1, 1, len(scene.bands_hz), BINS))
        packed = pack(scene, 0.25)
        longest = packed.direct_m.max() + BINS * BIN_S * packed.speed
        plan = Plan(0, packed.speed, packed.attenuation, longest, BIN_S)
        mapped = map_room(scene, packed, plan, 3, 4, energy, [])
        centre = np.array([f.origin + f.size[0] / 2 * f.u for f in scene.facets])
        octant = (centre > 0) @ np.array([1, 2, 4])
        patch = np.repeat(octant, mapped.columns * mapped.rows)
        lit, error = (np.nan_to_num(a[:, 0]).sum(axis=1)[:, 2] for a in mapped.incident)
        share, spread, area = (
            np.array([(values[patch == k] ** power).sum() for k in range(8)])
            for values, power in (
                (lit * mapped.area_m2, 1),
                (error * mapped.area_m2, 2),
                (mapped.area_m2, 1),
            )
        )
        return (share / area - share.sum() / area.sum()) / (np.sqrt(spread) / area)

    assert_p_value("maps", p_of_chi_square(parts((0.0, 0.0, 0.0)), GROUPS * 4))
    assert is_rejected(p_of_chi_square(parts((1.6, 0.3, 0.2)), GROUPS * 4))


def cut(room, facet, rect):
    """Two more materials: the facet's own with STEP more and STEP less absorption there."""
    own = room.materials[room.surfaces[room.facets[facet].surface].material]
    count = len(room.materials)
    more, less = (
        dataclasses.replace(
            own, name=f"{own.name} {way}", absorption=own.absorption + way * STEP / 2
        )
        for way in (1, -1)
    )
    scene = dataclasses.replace(room, materials=(*room.materials, more, less))
    return scene, ((), (Cover(facet, rect, count),), (Cover(facet, rect, count + 1),))


def quantities(energy, paths):
    """(quantity, band): level of the reflections within 15 ms, and T20."""
    direct = next(p.energy for p in paths if p.order == 0 and p.variant == 0)
    window = round(MAP_WINDOWS_S[0] / BIN_S)
    early = energy[..., :window].sum(axis=-1)[..., 0, 0, :] - direct
    t20 = decay_time(energy, BIN_S, -5.0, -25.0)[..., 0, 0, :]
    return np.stack([10 * np.log10(early), t20], axis=-2)


@pytest.mark.parametrize(
    ("name", "rect"),
    [
        ("left", (1.0, 0.5, 2.0, 1.5)),
        ("floor", (1.0, 1.0, 2.2, 2.2)),
        ("front", (0.0, 0.0, 1.0, 2.0)),
        ("ceiling", (1.5, 1.5, 2.5, 2.5)),
        ("rear", (0.0, 0.0, 4.0, 2.6)),
    ],
)
def test_slopes_are_those_of_small_changes(room, maps, name, rect):
    """Five rectangles, the last a whole surface: central difference of two variants on one trace
    against the sum of slopes over the rectangle's patches.

    Both are of the same rays, so they agree far better than either knows the truth: within 5 %,
    of which T20 takes 2 for the points of its line, which move.
    """
    facet = next(i for i, f in enumerate(room.facets) if room.surfaces[f.surface].name == name)
    scene, covers = cut(room, facet, rect)
    energy, _, paths = traced(scene, covers)
    each = (quantities(energy[:, 1], paths) - quantities(energy[:, 2], paths)) / STEP
    centre = quantities(energy[:, 1].mean(axis=0), paths)
    found = (centre - quantities(energy[:, 2].mean(axis=0), paths)) / STEP
    found_error = each.std(axis=0, ddof=1) / np.sqrt(BATCHES)
    u, v = np.meshgrid(
        (np.arange(maps.columns[facet]) + 0.5) * maps.side_m[facet, 0],
        (np.arange(maps.rows[facet]) + 0.5) * maps.side_m[facet, 1],
    )
    inside = ((u > rect[0]) & (u < rect[2]) & (v > rect[1]) & (v < rect[3])).ravel()
    own = maps.first[facet] + np.flatnonzero(inside)
    area = maps.area_m2[own][:, None, None]
    slope = (maps.slope[0][own, 0, :, 0] * area).sum(axis=0)
    error = np.sqrt(((maps.slope[1][own, 0, :, 0] * area) ** 2).sum(axis=0))
    z = (slope - found) / np.hypot(error, found_error)
    assert z.shape == (len(MAP_QUANTITIES), len(room.bands_hz))
    assert_p_value("maps", p_of_largest(z, GROUPS), f"{name}: {z}\n{slope}\n{found}")
    assert np.all(np.abs(slope) > 3 * error), "the slope itself is known"
    np.testing.assert_allclose(slope, found, rtol=0.05)
