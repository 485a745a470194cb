"""Layered surfaces reflect by the angle of incidence, in rays and in images."""

import dataclasses

import numpy as np

from raysim.kernels.ray import Plan
from raysim.settings import BATCHES, Settings
from raysim.solvers.late import trace_round
from raysim.solvers.pack import pack
from raysim.solvers.run import run
from raysim.surfaces.construction import absorption_by_angle, frequencies_in
from raysim.surfaces.grammar import parse_layers
from tests.rooms import shoebox
from tests.statistical.significance import (
    assert_p_value,
    deviations,
    is_rejected,
    p_of_largest,
)

LAYERS = parse_layers(("porous 50mm 12000", "gap 50mm"), "test")
SOURCE, SEAT = (2.0, 2.5, 0.6), (3.5, 3.0, 1.1)
SIZE = (6.0, 5.0, 3.0)


def room(scattering, layered=True, absorbing=1.0):
    """Box whose floor is layered and whose other surfaces swallow nearly everything."""
    scene = shoebox(
        SIZE,
        {"floor": 0.5, "other": absorbing},
        {"floor": scattering, "other": 0.0},
        sources=[SOURCE],
        receivers=[SEAT],
    )
    if not layered:
        return scene
    floor = next(s.material for s in scene.surfaces if s.name == "floor")
    materials = list(scene.materials)
    materials[floor] = dataclasses.replace(materials[floor], construction=LAYERS)
    return dataclasses.replace(scene, materials=tuple(materials))


def absorption(scene, cosines):
    """(cosines, bands), interpolated on a grid four times as fine as the tracer's."""
    fine = np.linspace(0, 1, 257)
    table = absorption_by_angle(LAYERS, scene.bands_hz, scene.climate, fine)
    return np.stack([np.interp(cosines, fine, column) for column in table.T], axis=-1)


def spread_by_the_floor(scene, absorbed):
    """100 * integral over the floor of cos1/(4 pi r1^2) (1 - a(cos1)) 4 cos2/r2^2 and air."""
    step = 0.01
    x, y = np.meshgrid(np.arange(step / 2, SIZE[1], step), np.arange(step / 2, SIZE[0], step))
    floor = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=-1)
    one = np.linalg.norm(floor - SOURCE, axis=1)
    two = np.linalg.norm(floor - SEAT, axis=1)
    cos1, cos2 = SOURCE[2] / one, SEAT[2] / two
    air = np.exp(-np.outer(one + two, scene.climate.attenuation(np.array(scene.bands_hz))))
    share = cos1 / (4 * np.pi * one**2) * 4 * cos2 / two**2 * step**2
    return 100 * (share[:, None] * (1 - absorbed(cos1)) * air).sum(axis=0)


def test_diffusing_layered_floor_is_its_integral():
    """Negative control: the same floor with its random-incidence mean at every angle."""
    scene = room(scattering=1.0)
    result = run(scene, Settings(rays=1_048_576, image_order=0, duration_s=0.05, seed=5))
    direct = next(r.energy for r in result.reflections if r.order == 0)
    reflected = result.energy_batches[:, 0, 0, 0].sum(axis=-1) - direct
    expected = spread_by_the_floor(scene, lambda cosines: absorption(scene, cosines))
    z = deviations(reflected, expected)
    assert_p_value("layered floor", p_of_largest(z, BATCHES), f"{z}")
    one_number = scene.materials[
        next(s.material for s in scene.surfaces if s.name == "floor")
    ].absorption
    wrong = deviations(reflected, spread_by_the_floor(scene, lambda _: one_number))
    assert is_rejected(p_of_largest(wrong, BATCHES))


def mean_over_the_disc(scene):
    """(bands,) energy that rays mirrored in the floor bring to the disc facing the image."""
    image = np.array([SOURCE[0], SOURCE[1], -SOURCE[2]])
    way = np.array(SEAT) - image
    length = np.linalg.norm(way)
    side = np.cross(way / length, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    radius = 0.25 * np.sqrt((np.arange(40) + 0.5) / 40)
    turn = 2 * np.pi * (np.arange(80) + 0.5) / 80
    r, a = (grid.ravel() for grid in np.meshgrid(radius, turn))
    other = np.cross(way / length, side)
    rays = way + np.outer(r * np.cos(a), side) + np.outer(r * np.sin(a), other)
    reflected = 1 - absorption(scene, rays[:, 2] / np.linalg.norm(rays, axis=1))
    air = np.exp(-scene.climate.attenuation(np.array(scene.bands_hz)) * length)
    return 100 / length**2 * air * reflected.mean(axis=0)


def test_mirrored_layered_floor_by_rays_and_by_images():
    """A ray takes its own angle: an average over the disc, equal to the path's own but where
    the absorption is within a few percent of 1.
    """
    scene = room(scattering=0.0)
    packed, bins, rounds = pack(scene, 0.25, growth=0.1), 50, 128
    longest = packed.direct_m.max() + 0.001 * bins * packed.speed
    plan = Plan(0, packed.speed, packed.attenuation, longest, 0.001)
    counted = sum(trace_round(packed, plan, 6, k, bins).energy for k in range(rounds)) / rounds
    _, image = exact_paths(scene)
    expected = mean_over_the_disc(scene)
    z = deviations(counted[:, 0, 0, 0].sum(axis=-1), expected)
    assert_p_value("layered floor", p_of_largest(z, BATCHES), f"{z}")
    strong = image > 0.1 * image.max()
    assert strong.sum() >= 3
    np.testing.assert_allclose(expected[strong], image[strong], rtol=0.01)


def exact_paths(scene):
    """Energies (bands,) of the direct sound and of the floor's image."""
    result = run(scene, Settings(rays=8192, image_order=1, duration_s=0.05))
    floor = next(
        r
        for r in result.reflections
        if r.order == 1 and scene.surfaces[scene.facets[r.facets[0]].surface].name == "floor"
    )
    return next(r.energy for r in result.reflections if r.order == 0), floor.energy


def test_normal_and_grazing_paths_as_computed_by_hand():
    """50 mm of wool of 12 kPa s/m2 over 50 mm of air, from first principles at each angle.

    Delany and Bazley in the form of Miki (1990), the layer's transfer relation with the angle in
    the layer by Snell's law, averaged over the frequencies of the octave as the engine does.
    """
    scene = room(scattering=0.0, absorbing=0.2)
    _, energy = exact_paths(scene)
    apart = np.hypot(SEAT[0] - SOURCE[0], SEAT[1] - SOURCE[1])
    sine = apart / np.hypot(apart, SEAT[2] + SOURCE[2])
    air, band = scene.climate.air, scene.bands_hz.index(500.0)
    f = frequencies_in(500.0)
    k0, x = 2 * np.pi * f / air.speed_of_sound, f / 12000.0
    impedance = 1 + 0.0699 * x**-0.632 - 0.107j * x**-0.632
    k = k0 * (1 + 0.109 * x**-0.618 - 0.160j * x**-0.618)
    cosine = np.sqrt(1 - sine**2)
    through, through_air = np.sqrt(k**2 - (k0 * sine) ** 2), k0 * cosine
    behind = -1j / np.tan(through_air * 0.05) / cosine
    own, turn = impedance * k / through, 1j * np.tan(through * 0.05)
    front = own * (behind + own * turn) / (own + behind * turn)
    factor = (front * cosine - 1) / (front * cosine + 1)
    by_hand = (np.abs(factor) ** 2).mean()
    length = np.hypot(apart, SEAT[2] + SOURCE[2])
    got = energy[band] * length**2 / 100
    got *= np.exp(scene.climate.attenuation(np.array([500.0]))[0] * length)
    assert abs(got / by_hand - 1) < 2e-3
    normal = absorption(scene, np.array([1.0]))[0, band]
    assert abs((1 - got) - normal) > 0.02  # the angle matters here
