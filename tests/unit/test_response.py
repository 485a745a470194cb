"""The joined response: images as pressures, blending, smoothing, and what is left out."""

import dataclasses

import numpy as np
import pytest

from raysim import quantities
from raysim.bands import exact_midband_hz
from raysim.kernels.emission import Emission, emit_each
from raysim.loudspeakers.cabinet import Cabinet, directivity_of
from raysim.loudspeakers.directivity import Directivity, grid
from raysim.quantities.image_sum import Images
from raysim.quantities.overlap import interference_spread_db
from raysim.quantities.response import bass_share, frequencies, rest_at, smoothed
from raysim.scene.reflecting import reflection_factor
from raysim.scene.variants import Cover
from raysim.solvers.early import find_reflections
from raysim.solvers.pack import pack
from raysim.surfaces.grammar import parse_layers
from raysim.theory.fluctuation import band_variance, level_deviation_db
from tests.report_made import result as bedroom
from tests.report_made import scene as bedroom_scene
from tests.results_made import exponential_result, made_bass
from tests.rooms import shoebox

SPEED = 343.2


def calm(scene, absorption=0.0, construction=None):
    """No scattering; one absorption everywhere."""
    bands = len(scene.bands_hz)
    return dataclasses.replace(
        scene,
        materials=tuple(
            dataclasses.replace(
                m,
                absorption=np.full(bands, absorption),
                scattering=np.zeros(bands),
                construction=construction,
            )
            for m in scene.materials
        ),
    )


def test_image_sum_in_a_rigid_box_by_hand():
    """Direct sound and the six first images, each 10/r exp(-jkr)."""
    scene = calm(bedroom_scene(desk=False))
    paths = [p for p in bedroom(scene).reflections if (p.source, p.order) <= (0, 1)]
    assert len(paths) == 7
    source, seat = scene.sources[0].position, scene.receivers[0].position
    images = [source]
    for axis, size in enumerate((3.4, 4.2, 2.4)):
        for wall in (0.0, size):
            image = source.copy()
            image[axis] = 2 * wall - source[axis]
            images.append(image)
    r = np.linalg.norm(np.array(images) - seat, axis=1)
    f = np.array([57.0, 300.0, 1234.0])
    speed = scene.climate.speed_of_sound
    air = np.exp(-0.5 * np.outer(scene.climate.attenuation(f), r))
    wanted = (10 / r * air * np.exp(-2j * np.pi * np.outer(f, r) / speed)).sum(axis=1)
    assert Images(scene, ()).pressure(paths, f) == pytest.approx(wanted, rel=2e-4)


def test_a_path_through_an_edge_has_angles_and_a_tolerance():
    """Source and seat in line with the edge of front wall and floor: two points are one there."""
    scene = shoebox((4.6, 3.4, 2.5), sources=[(0.95, 0.6, 1.2)], receivers=[(1.7, 1.0, 2.0)])
    scene = dataclasses.replace(scene, tolerance_m=0.01)
    packed = pack(scene, 0.1)
    longest = float(packed.direct_m.max()) + 5.0
    found = find_reflections(scene, packed, 2, longest)
    [edge] = [p for p in found if p.order == 2 and not np.ptp(p.points, axis=0).any()]
    assert edge.points[0] == pytest.approx([edge.points[0][0], 0.0, 0.0])
    turned = Images(scene, ()).pressure([edge], np.array([57.0, 1234.0]))
    assert np.isfinite(turned).all()
    # Both planes lie in the origin of the coordinates, so only the ends can be off.
    away, back, straight = (
        np.array(way) / np.linalg.norm(way)
        for way in ((0.75, -1.6, -3.2), (0.75, 1.6, 3.2), (0.75, 0.4, 0.8))
    )
    expected = np.hypot(np.linalg.norm(straight - away), np.linalg.norm(back - straight))
    speed = scene.climate.speed_of_sound
    assert speed * quantities.delay_tolerance_s(scene, edge) == pytest.approx(0.01 * expected)


def test_absorbing_wall_reflects_by_its_admittance():
    """Random-incidence 0.951 is b = 1/1.567: straight on (1 - b)/(1 + b) = 0.221."""
    scene = calm(bedroom_scene(desk=False), 0.951)
    factor = reflection_factor(scene.materials[0], scene, np.array([500.0]), [1.0, 0.5, 0.0])[0]
    b = 1 / 1.567
    wanted = [(1 - b) / (1 + b), (0.5 - b) / (0.5 + b), -1]
    assert factor == pytest.approx(wanted, abs=0.02)


def test_layers_reflect_with_phase_and_angle():
    layers = parse_layers(["porous 100mm 10000"], "here")
    scene = calm(bedroom_scene(desk=False), 0.3, layers)
    f = np.array([100.0, 1000.0])
    factor = reflection_factor(scene.materials[0], scene, f, [1.0, 0.5])
    z = layers.for_low_frequency().surface_impedance(f, [1.0, 0.5], scene.climate)
    cos = np.array([1.0, 0.5])
    assert factor == pytest.approx((z * cos - 1) / (z * cos + 1))
    assert (np.abs(np.angle(factor[0])) > 0.1).all()


def test_a_cover_counts_where_it_is():
    """An absorber on the front wall weakens only the path that meets it."""
    scene = calm(bedroom_scene(desk=False))
    soft = dataclasses.replace(scene.materials[0], absorption=np.full(6, 0.9))
    scene = dataclasses.replace(scene, materials=(*scene.materials, soft))
    paths = [p for p in bedroom(scene).reflections if p.source == 0 and p.order == 1]
    number = next(n for n, f in enumerate(scene.facets) if f.name == "front")
    cover = Cover(number, (0.0, 0.0, 3.4, 2.4), len(scene.materials) - 1)
    bare, covered = (Images(scene, own) for own in ((), (cover,)))
    for path in paths:
        same = covered.amplitude(path) == pytest.approx(bare.amplitude(path))
        assert same == (path.facets != (number,))


def test_directivity_between_its_directions_as_in_the_kernel():
    speaker = directivity_of(Cabinet((0.2, 0.3, 0.35), (0.15,)), (500.0, 2000.0), SPEED)
    assert speaker.towards(grid().reshape(-1, 3)[:, :]) == pytest.approx(
        speaker.energy.reshape(-1, 2), abs=1e-9
    )
    ways = np.random.default_rng(1).standard_normal((50, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    out = np.empty((50, 2))
    emission = Emission(speaker.energy[None].copy(), np.eye(3)[None].copy())
    emit_each(emission, 0, np.ascontiguousarray(ways), out)
    assert speaker.towards(ways) == pytest.approx(out, rel=1e-9)


def test_a_loudspeaker_turned_away_is_weaker():
    scene = calm(bedroom_scene(desk=False))
    table = np.where(grid()[..., :1] > 0, 1.0, 0.25) * np.ones(6)
    source = dataclasses.replace(scene.sources[0], directivity=Directivity(table, "made"))
    scene = dataclasses.replace(scene, sources=(source, scene.sources[1]))
    front = next(n for n, f in enumerate(scene.facets) if f.name == "front")
    for path in bedroom(scene).reflections:
        if path.source == 0 and path.facets in ((), (front,)):
            energy = np.abs(Images(scene, ()).amplitude(path)[60] * path.length_m / 10) ** 2
            assert energy == pytest.approx(1.0 if path.order == 0 else 0.25, rel=0.02)


def test_weights_add_up_and_end():
    f = frequencies()
    share = bass_share(f, 240.0)
    assert (share[f <= 120] == 1).all()
    assert (share[f >= 240] == 0).all()
    assert share[f == 170][0] == pytest.approx(0.5, abs=0.01)  # the middle of the octave
    assert (np.diff(share) <= 0).all()
    assert (f[0], f[-1]) == (20.0, pytest.approx(20_000.0))
    assert np.diff(f).min() > 0.99


def test_smoothing_keeps_energy():
    """A constant stays; a narrow peak keeps its area over pitch."""
    f = frequencies()
    assert smoothed(f, np.full((2, len(f)), 3.0)) == pytest.approx(3.0)
    peak = np.where(np.abs(f - 1000) < 5, 100.0, 0.0)
    pitch = np.log2(f)
    area = [
        (np.diff(pitch) * (values[1:] + values[:-1]) / 2).sum()
        for values in (peak, smoothed(f, peak))
    ]
    assert area[1] == pytest.approx(area[0], rel=0.01)
    assert smoothed(f, peak).max() < 0.2 * peak.max()


def test_joined_is_the_bass_below_and_the_others_above():
    """The made bass is the direct sound at 2 m, 14 dB; it reaches 60 Hz."""
    made = exponential_result(bass=True, batches=4, duration_s=0.3, noise=0.0)
    response = quantities.joined_response(made)
    f = response.frequency_hz
    below, above = f <= 30, f >= 60
    assert response.playback == ("left speaker", "right speaker", "left speaker + right speaker")
    assert response.level_db[0, 0, 0, below] == pytest.approx(20 * np.log10(5), abs=1e-4)
    assert (response.level_db[..., above] == response.geometrical_db[..., above]).all()
    assert np.isnan(response.bass_db[..., f > 60]).all()
    # Both play the same sound, in phase: the bass is 6 dB up.
    assert response.level_db[0, 2, 0, below] == pytest.approx(20 * np.log10(10), abs=1e-4)


def test_rest_is_what_the_images_are_not():
    """The exponential part of the made result, to rounding; images and rest are all energy."""
    made = exponential_result(bass=True, batches=4, duration_s=0.5, noise=0.0)
    bare = exponential_result(bass=True, batches=4, duration_s=0.5, noise=0.0, paths=False)
    response = quantities.joined_response(made)
    assert response.rest == pytest.approx(bare.energy.sum(axis=-1))
    assert response.rest_error == pytest.approx(0, abs=1e-9)
    f = np.array([exact_midband_hz(1000.0)])
    assert rest_at(response.rest, made.scene.bands_hz, f)[..., 0] == pytest.approx(
        response.rest[..., 3]
    )
    alone = quantities.joined_response(bare)
    square = 10 ** (alone.geometrical_db[0, 2, 0].astype(float) / 10)
    both = rest_at(alone.rest, made.scene.bands_hz, alone.frequency_hz)[0, :, 0].sum(axis=0)
    assert square == pytest.approx(both, rel=1e-5)


def test_parts_that_agree_leave_no_step():
    """Waves that carry the energy of images and rays: no third of the overlap is off."""
    made = exponential_result(
        bass=True, batches=4, duration_s=0.3, noise=0.0, paths=False, sources=1
    )
    f = np.arange(20.0, 241.0)
    level = np.sqrt(rest_at(quantities.joined_response(made).rest, made.scene.bands_hz, f))
    zone = np.broadcast_to(level[:, :, :, None], (1, 1, 1, 9, len(f))) + 0j
    bass = dataclasses.replace(made_bass(1, 1, 1), frequency_hz=f, zone=zone)
    response = quantities.joined_response(dataclasses.replace(made, bass=bass))
    assert response.overlap_hz == (160, 200)
    assert response.overlap_db == pytest.approx(0, abs=0.01)
    assert response.level_db == pytest.approx(response.geometrical_db, abs=1e-3)
    louder = dataclasses.replace(bass, zone=2 * zone)
    response = quantities.joined_response(dataclasses.replace(made, bass=louder))
    assert response.overlap_db == pytest.approx(6.02, abs=0.02)


def test_nothing_is_joined_without_the_bass():
    made = exponential_result(bass=True, batches=4, duration_s=0.3)
    assert quantities.joined_response(dataclasses.replace(made, bass=None)) is None


def test_interference_makes_waves_and_energies_differ():
    """All energy without phase: the spread of the bandwidth and the decay time, by its formula."""
    made = exponential_result(bass=True, batches=4, duration_s=0.5, noise=0.0)
    response = quantities.joined_response(made)
    alone = dataclasses.replace(response, images=0 * response.images)
    decay = quantities.reverberation_time(made).value[0, ..., made.scene.bands_hz.index(1000.0)]
    width = exact_midband_hz(1000.0, 3) * (10**0.05 - 10**-0.05)
    expected = level_deviation_db(band_variance(np.nanmean(decay), width))
    assert interference_spread_db(made, alone, (1000.0,)) == pytest.approx(expected, rel=1e-6)
    known = dataclasses.replace(response, rest=0 * response.rest)
    assert interference_spread_db(made, known, (1000.0,)) == 0
    assert np.isnan(interference_spread_db(made, response, ()))
