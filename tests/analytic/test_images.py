"""Exact reflections against enumerations that share nothing with the package."""

import numpy as np
import pytest
import shapely

from raysim.scene.geometry import Geometry
from raysim.scene.rooms import Prism, box_room, furnish
from raysim.settings import Settings
from raysim.solvers.run import run
from tests.plain.images import specular_paths
from tests.plain.lattice import images_to_length, images_to_order
from tests.rooms import from_geometry, outline_room, shoebox

WALLS = ("left", "right", "front", "rear", "floor", "ceiling")  # x=0, x=W, y=0, y=L, z=0, z=H
BANDS = (125, 1000, 8000)


def midbands(labels):
    """Exact base-10 midbands (IEC 61260-1): 1000 * 10^(0.3 k)."""
    return [1000 * 10 ** (0.3 * round(np.log10(f / 1000) / 0.3)) for f in labels]


def early(scene, order, duration_s=1.0):
    """Reflections of a run of few rays."""
    return run(scene, Settings(rays=32, image_order=order, duration_s=duration_s)).reflections


def test_direct_sound_is_100_over_r_squared():
    """Surfaces that absorb everything leave the free field: 100/r^2 exp(-m r), in the first bin."""
    source, receiver = np.array([0.7, 0.9, 1.1]), np.array([2.3, 3.2, 1.6])
    scene = shoebox(absorption=1.0, bands_hz=BANDS, sources=[source], receivers=[receiver])
    result = run(scene, Settings(rays=32, image_order=1, duration_s=0.02))
    distance = np.linalg.norm(source - receiver)
    attenuation = scene.climate.attenuation(midbands(BANDS))
    expected = 100 / distance**2 * np.exp(-attenuation * distance)
    direct = result.reflections[0]
    np.testing.assert_allclose(direct.energy, expected, rtol=1e-13)
    assert direct.order == 0
    assert direct.delay_s == 0
    np.testing.assert_allclose(result.energy[0, 0, 0, :, 0], expected, rtol=1e-13)
    assert np.all(result.energy[0, 0, 0, :, 1:] == 0)


def test_shoebox_to_order_8_is_the_lattice():
    """Every image: times to 1 us, levels to 0.001 dB, with uneven absorption, scattering and air.

    Matched by how often each wall is met and, among images that meet the same walls as often, by
    length.
    """
    size, source, receiver = (4.1, 5.2, 2.7), (1.1, 0.8, 1.2), (2.6, 3.1, 1.35)
    absorption = np.random.default_rng(4).uniform(0.02, 0.7, (6, 3))
    scattering = np.random.default_rng(5).uniform(0.0, 0.6, (6, 3))
    scene = shoebox(
        (size[1], size[0], size[2]),
        absorption=dict(zip(WALLS, absorption, strict=True)),
        scattering=dict(zip(WALLS, scattering, strict=True)),
        bands_hz=BANDS,
        sources=[source],
        receivers=[receiver],
    )
    attenuation = scene.climate.attenuation(midbands(BANDS))
    lattice = images_to_order(size, source, receiver, 8)
    energies = np.stack(
        [lattice.energy(absorption[:, b], scattering[:, b], attenuation[b]) for b in range(3)], 1
    )
    expected = sorted(
        (tuple(hits), length, *energy)
        for hits, length, energy in zip(lattice.hits, lattice.lengths, energies, strict=True)
    )
    wall = [WALLS.index(facet.name) for facet in scene.facets]
    found = sorted(
        (tuple(np.bincount([wall[f] for f in r.facets], minlength=6)), r.length_m, *r.energy)
        for r in early(scene, 8)
    )
    assert len(found) == len(expected) == 833
    assert [row[0] for row in found] == [row[0] for row in expected]
    ours, theirs = (np.array([row[1:] for row in rows]) for rows in (found, expected))
    speed = scene.climate.speed_of_sound
    assert np.abs(ours[:, 0] - theirs[:, 0]).max() / speed < 1e-6
    assert np.abs(10 * np.log10(ours[:, 1:] / theirs[:, 1:])).max() < 1e-3


def test_delay_counts_from_the_straight_line():
    size, source, receiver = (4.1, 5.2, 2.7), (1.1, 0.8, 1.2), (2.6, 3.1, 1.35)
    scene = shoebox((size[1], size[0], size[2]), sources=[source], receivers=[receiver])
    reflections = early(scene, 3, 0.02)
    speed = scene.climate.speed_of_sound
    straight = np.linalg.norm(np.subtract(source, receiver))
    within = images_to_length(size, source, receiver, straight + 0.02 * speed)
    expected = within.lengths[within.order <= 3]
    delays = sorted(r.delay_s for r in reflections if r.length_m <= straight + 0.02 * speed)
    np.testing.assert_allclose(delays, (expected - straight) / speed, atol=1e-9)


L_SHAPE = [(0, 0), (4.6, 0), (4.6, 3.8), (2.4, 3.8), (2.4, 5.8), (0, 5.8)]
SPLAYED = [(0, 0.6), (0.9, 0), (3.3, 0), (4.2, 0.6), (4.9, 4.8), (-0.7, 4.5)]
SLOPED = [(x, y, 2.4 - 0.07 / 0.6 * y) for x, y in SPLAYED]


def l_shape():
    """Source and second receiver don't see each other."""
    return outline_room(
        L_SHAPE, 2.6, sources=[(3.9, 0.7, 1.2)], receivers=[(1.6, 2.9, 1.3), (2.1, 5.5, 1.1)]
    )


def splayed():
    """Sloped ceiling, no two walls parallel but front and rear."""
    return outline_room(
        SPLAYED, SLOPED, sources=[(1.3, 0.9, 1.25)], receivers=[(2.2, 2.1, 1.2), (0.6, 4.0, 1.0)]
    )


def with_desk():
    """A slab that reflects, blocks, and has an underside."""
    desk = Prism("desk", shapely.box(0.95, 0.5, 2.45, 1.2), 0.72, 0.75)
    return shoebox(
        (4.2, 3.4, 2.4),
        sources=[(1.1, 0.6, 1.2)],
        receivers=[(1.7, 1.64, 1.2), (1.5, 0.8, 0.4)],
        prisms=[desk],
    )


def with_sheet(
    screen=((1.2, 2.2, 0.3), (2.6, 2.5, 0.3), (2.6, 2.5, 1.9), (1.2, 2.2, 1.9)),
    receivers=((1.7, 1.64, 1.2), (1.9, 3.6, 1.1)),
):
    """A free-standing screen, both sides at the same place."""
    room = furnish(box_room((4.2, 3.4, 2.4)), ())
    first = len(room.vertices)
    front = np.array([[0, 1, 2], [0, 2, 3]]) + first
    names = (*room.names, "screen front", "screen rear")
    return from_geometry(
        Geometry(
            vertices=np.vstack([room.vertices, np.array(screen)]),
            triangles=np.vstack([room.triangles, front, front[:, ::-1]]),
            group=np.concatenate([room.group, np.repeat([len(names) - 2, len(names) - 1], 2)]),
            names=names,
            owners=(*room.owners, "screen", "screen"),
            sheet=np.concatenate([room.sheet, np.ones(4, bool)]),
        ),
        sources=[(1.1, 0.6, 1.2)],
        receivers=receivers,
    )


@pytest.mark.parametrize(
    ("make", "order"),
    [
        (l_shape, 3),
        (splayed, 3),
        (with_desk, 2),
        (with_sheet, 3),
    ],
)
def test_any_room_equals_brute_force(make, order):
    """The same sequences of facets, lengths to 1 nm, points to 10 nm, energies to rounding."""
    scene = make()
    reflections = early(scene, order)
    attenuation = scene.climate.attenuation(midbands(scene.bands_hz))
    surface = [facet.surface for facet in scene.facets]
    material = [scene.materials[scene.surfaces[s].material] for s in surface]
    absorption = np.array([m.absorption for m in material])
    scattering = np.array([m.scattering for m in material])
    blocked = 0
    for number, receiver in enumerate(scene.receivers):
        expected = {
            path.facets: path
            for path in specular_paths(
                scene.mesh.corners,
                scene.mesh.facet,
                scene.sources[0].position,
                receiver.position,
                order,
            )
        }
        found = {r.facets: r for r in reflections if r.receiver == number}
        assert sorted(found) == sorted(expected)
        blocked += () not in found
        for facets, path in expected.items():
            assert found[facets].length_m == pytest.approx(path.length, abs=1e-9)
            np.testing.assert_allclose(found[facets].points, path.points, atol=1e-8)
            energy = path.energy(absorption, scattering, attenuation)
            np.testing.assert_allclose(found[facets].energy, energy, rtol=1e-9)
    assert blocked == {"l_shape": 1, "with_desk": 1, "with_sheet": 1}.get(make.__name__, 0)


def test_a_screen_across_the_room_lets_nothing_through():
    """Wall to wall, absorbing little: the near half is a box of its own, the far half silent."""
    across = ((0, 2.1, 0), (3.4, 2.1, 0), (3.4, 2.1, 2.4), (0, 2.1, 2.4))
    scene = with_sheet(across, ((2.27, 1.63, 1.31), (2.2, 2.6, 1.3)))
    result = run(scene, Settings(rays=32, image_order=3, duration_s=0.1))
    assert result.energy[0, 0, 1].max() == 0
    near = [r.length_m for r in result.reflections if r.receiver == 0]
    half = images_to_order((3.4, 2.1, 2.4), (1.1, 0.6, 1.2), (2.27, 1.63, 1.31), 3)
    np.testing.assert_allclose(sorted(near), half.lengths, atol=1e-9)
    energy = result.energy[0, 0, 0, :, 60:90].sum(axis=-1)
    np.testing.assert_allclose(energy, half_room_energy(scene, 0.06, 0.09), rtol=0.35)


def half_room_energy(scene, start_s, end_s):
    """Energy of a diffuse field in the near half between two times after the direct sound.

    Only good to a few tens of percent; a screen that swallows sound takes more.
    """
    speed = scene.climate.speed_of_sound
    volume, area = 3.4 * 2.1 * 2.4, 2 * (3.4 * 2.1 + 3.4 * 2.4 + 2.1 * 2.4)
    straight = np.linalg.norm(np.subtract((1.1, 0.6, 1.2), (2.27, 1.63, 1.31)))
    rate = -np.log(1 - 0.2) * area / (4 * volume)
    rates = rate + scene.climate.attenuation(midbands(scene.bands_hz))
    begin, end = (straight + speed * t for t in (start_s, end_s))
    return 400 * np.pi / volume * (np.exp(-rates * begin) - np.exp(-rates * end)) / rates
