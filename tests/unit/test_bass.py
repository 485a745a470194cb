"""The bass of a scene: what is asked, what comes out, what is refused, and where it is kept."""

import dataclasses

import numpy as np
import pytest
import shapely

import raysim
from raysim.errors import SceneError, SettingsError, SolverError
from raysim.results.store import load_result, save
from raysim.scene.data import Variant
from raysim.scene.rooms import Prism
from raysim.scene.variants import groups_of
from raysim.solvers import bass as bass_module
from raysim.solvers.bass import compute_bass, upper_frequency_hz
from raysim.solvers.bass_kinds import name_of, ordinal
from raysim.solvers.bass_surfaces import admittance_of, patches_of
from raysim.surfaces.admittance import random_incidence
from raysim.surfaces.grammar import parse_layers
from raysim.waves.tetrahedra import tetrahedra_of
from tests.plain.box_waves import pressure
from tests.property.test_store_identity import assert_identical
from tests.rooms import material, shoebox

SIZE = (4.4, 3.1, 2.4)  # length (y), width (x), height
SOURCES = ((0.8, 1.0, 1.2), (2.3, 1.0, 1.2))
SEAT = (1.55, 3.0, 1.2)  # middle of the width, half the height
QUICK = raysim.Settings(rays=32, image_order=1, duration_s=0.2, bass=True, bass_to_hz=80.0)


@pytest.fixture(scope="module")
def scene():
    bands = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)
    return shoebox(SIZE, 0.2, sources=SOURCES, receivers=(SEAT,), bands_hz=bands)


@pytest.fixture(scope="module")
def run_and_told(scene):
    """A result, and what the run said on its way."""
    told = []
    settings = dataclasses.replace(QUICK, maps=True)
    return raysim.run(scene, settings, progress=told.append), told


@pytest.fixture(scope="module")
def result(run_and_told):
    return run_and_told[0]


def test_bass_and_maps_say_how_long_they_take(run_and_told):
    told = run_and_told[1]
    bass = [one for one in told if one.stage.startswith("bass: ")]
    assert [one.fraction for one in bass] == sorted(one.fraction for one in bass)
    assert [one.seconds_left is None for one in bass] == [True, False, False]
    maps = [one for one in told if one.stage.startswith("mapping")]
    assert (maps[0].seconds_left, maps[-1].fraction, maps[-1].seconds_left) == (None, 1.0, 0.0)


def test_response_is_that_of_the_box_re_10_m(result):
    """Absorption 0.2 as a real admittance on all walls against the plain series.

    0.5 dB rms although there is a deep hole; phase and level within 1 % of the rms pressure.
    """
    bass = result.bass
    beta = admittance_of(result.scene.materials[0], result.scene, bass.frequency_hz)[0][0]
    assert random_incidence([beta.real])[0] == pytest.approx(0.2)
    size = (SIZE[1], SIZE[0], SIZE[2])
    # The plain series needs a distance along its first axis, here y.
    turn = [1, 0, 2]
    size, source, seat = (np.array(v)[turn] for v in (size, SOURCES[0], SEAT))
    speed = result.scene.climate.speed_of_sound
    field = [pressure(size, source, seat, f, beta, speed) for f in bass.frequency_hz]
    exact = 40 * np.pi * np.array(field)
    off = 20 * np.log10(np.abs(bass.response[0, 0, 0] / exact))
    assert np.sqrt(np.mean(off**2)) < 0.5
    rms = np.sqrt(np.mean(np.abs(exact) ** 2))
    assert np.abs(bass.response[0, 0, 0] - exact).max() < 0.01 * rms


def test_direct_sound_near_the_source_is_10_over_r():
    """At 0.5 m from a source in a room that absorbs 0.94 of it: 26 dB within 1 dB at 100 Hz."""
    near = (1.5, 2.2, 1.2)
    scene = shoebox((4.0, 3.0, 2.5), 0.94, sources=((1.5, 1.7, 1.2),), receivers=(near,))
    bass = compute_bass(scene, highest_hz=100.0)
    assert 20 * np.log10(np.abs(bass.response[0, 0, 0, -1])) == pytest.approx(26.0, abs=1.0)


def test_modes_are_named_and_nodes_are_zero(result):
    """39.0 Hz along the length, 55.4 Hz across the width: the seat in the middle has a node."""
    bass = result.bass
    speed = result.scene.climate.speed_of_sound
    named = dict(zip(bass.mode_kind, range(len(bass.mode_kind)), strict=True))
    assert bass.box_share[0] == pytest.approx(1, abs=1e-3)
    along, across, up = (
        named[kind]
        for kind in ("along the length, 1st", "across the width, 1st", "floor to ceiling, 1st")
    )
    for mode, length in ((along, 4.4), (across, 3.1), (up, 2.4)):
        assert bass.mode_frequency_hz[mode] == pytest.approx(speed / 2 / length, rel=5e-3)
        assert 0.1 < bass.mode_decay_time_s[mode] < 1.5
    assert bass.mode_at_receivers[across, 0] == pytest.approx(0, abs=0.02)
    assert bass.mode_at_receivers[up, 0] == pytest.approx(0, abs=0.02)
    left, right = bass.mode_at_sources[across]
    assert left == pytest.approx(-right, rel=0.02)
    expected = np.sqrt(2) * abs(np.cos(np.pi * 3.0 / 4.4))
    assert abs(bass.mode_at_receivers[along, 0]) == pytest.approx(expected, rel=0.03)


def test_zone_is_centre_and_corners(result):
    assert result.bass.zone.shape == (1, 2, 1, 9, 61)
    middle = result.bass.zone[0, 0, 0, 0]
    assert (result.bass.response[0, 0, 0] == middle).all()
    spread = np.abs(result.bass.zone[0, 0, 0, 1:, 30] / middle[30])
    assert 0.5 < spread.min() < 1 < spread.max() < 2


def test_zone_at_a_wall_is_drawn_in():
    scene = shoebox(SIZE, 0.2, sources=SOURCES[:1], receivers=((0.1, 3.0, 1.2),))
    bass = compute_bass(scene, highest_hz=50.0)
    assert np.isfinite(bass.zone).all()
    assert "receivers.receiver1: its zone is drawn in to stay in the air" in bass.notes


def test_kept_in_the_file_bit_by_bit(result, tmp_path):
    save(result, tmp_path / "room.h5")
    assert_identical(result.bass, load_result(tmp_path / "room.h5").bass)


def test_opens_in_xarray(result, tmp_path):
    xarray = pytest.importorskip("xarray")
    pytest.importorskip("h5netcdf")
    save(result, tmp_path / "room.h5")
    with xarray.open_dataset(tmp_path / "room.h5", group="bass", engine="h5netcdf") as opened:
        assert opened.response.dims == ("variant", "source", "receiver", "frequency")
        assert np.array_equal(opened.response, result.bass.response)
    made = result.to_xarray("bass")
    assert made.response.sel(frequency=50).shape == (1, 2, 1)


def test_extending_a_run_keeps_the_bass(result, scene, monkeypatch):
    monkeypatch.setattr("raysim.solvers.run.compute_bass", None)
    longer = raysim.run(scene, dataclasses.replace(QUICK, rays=9000), extend=result)
    assert longer.bass is result.bass
    assert longer.rays > result.rays


def test_a_layered_material_gives_its_complex_impedance(scene):
    layers = parse_layers(["porous 100mm 10000"], "here")
    made = dataclasses.replace(scene.materials[0], construction=layers)
    f = np.array([50.0, 100.0])
    beta, said = admittance_of(made, scene, f)
    wanted = 1 / layers.for_low_frequency().surface_impedance(f, [1.0], scene.climate)[:, 0]
    assert beta == pytest.approx(wanted)
    assert (beta.imag > 0).all()
    assert said == []


@pytest.mark.parametrize(
    ("layers", "warned"),
    [
        (["porous 50mm 20000"], False),
        (["porous 300mm 2000"], True),
        (["porous 50mm 10000", "gap 300mm"], True),
    ],
)
def test_where_one_admittance_for_all_angles_fails_is_said(scene, layers, warned):
    """Thick light layers and deep gaps carry sound along them; thin dense ones don't."""
    construction = parse_layers(layers, "here")
    made = dataclasses.replace(scene.materials[0], construction=construction)
    said = admittance_of(made, scene, np.arange(20.0, 301.0))[1]
    assert bool(said) == warned
    if warned:
        assert "carries sound along itself" in said[0]


def test_more_absorption_than_any_admittance_is_said(scene):
    soft = material("soft", 0.99, 0.1, scene.bands_hz)
    beta, said = admittance_of(soft, scene, np.array([100.0]))
    assert random_incidence(beta)[0] == pytest.approx(0.951, abs=1e-3)
    assert "material 'soft' absorbs more than the 0.95" in said[0]


def test_patches_of_a_plain_scene_are_its_materials(scene):
    [group] = groups_of(scene)
    patches = patches_of(group)
    assert patches.areas.sum() == pytest.approx(scene.area)
    assert len(patches.materials) == len(scene.materials)


def test_upper_frequency_follows_the_schroeder_frequency():
    hard, soft = (upper_frequency_hz(shoebox((5, 4, 2.7), alpha))[0] for alpha in (0.1, 0.4))
    assert 150 <= soft < hard <= 300
    large = shoebox((9.0, 6.0, 3.2), 0.03)
    highest, why = upper_frequency_hz(large)
    assert highest == 227
    assert "as high as the room's size affords" in why


def test_more_than_fits_is_refused_with_its_cost(scene):
    with pytest.raises(SettingsError, match=r"600 Hz this room .* unknowns, .* GB .* Hz fits"):
        compute_bass(scene, highest_hz=600.0)
    with pytest.raises(SettingsError, match="ask for more than 21 Hz"):
        compute_bass(scene, highest_hz=5.0)


def test_variants_of_one_geometry_share_mesh_and_modes(scene, monkeypatch):
    """A moved seat and another wall: one mesh, one search for modes."""
    made = []
    for name in ("tetrahedra_of", "reduce"):
        monkeypatch.setattr(f"raysim.solvers.bass.{name}", _counted(name, made))
    seat = dataclasses.replace(scene.receivers[0], position=np.array([1.0, 2.6, 1.2]))
    variants = (Variant("base"), Variant("moved", receivers=(seat,)), Variant("again"))
    bass = compute_bass(dataclasses.replace(scene, variants=variants), highest_hz=45.0)
    assert made == ["tetrahedra_of", "reduce", "reduce with modes"]
    # Variants of one group come together: base, again, moved.
    assert (bass.response[0] == bass.response[1]).all()
    assert not np.allclose(bass.response[0], bass.response[2])


def _counted(name, made):
    function = getattr(bass_module, name)

    def called(*given):
        made.append(name + (" with modes" if name == "reduce" and given[-1] is not None else ""))
        return function(*given)

    return called


def test_source_in_an_object_is_named():
    desk = Prism("desk", shapely.box(1.5, 1.0, 2.7, 2.0), 0.0, 1.0)
    scene = shoebox(SIZE, 0.2, sources=SOURCES, receivers=(SEAT,), prisms=[desk])
    inside = dataclasses.replace(scene.sources[1], position=np.array([2.0, 1.5, 0.5]))
    moved = dataclasses.replace(scene, sources=(scene.sources[0], inside))
    with pytest.raises(SceneError, match=r"sources.source2: .* is not in the air of the room"):
        compute_bass(moved, highest_hz=40.0)


@pytest.mark.slow
def test_two_volumes_are_refused():
    """The other box is as large as the first: what is filled is half of what the room has."""
    one = shoebox((1.5, 1.4, 1.3), 0.2, sources=((0.5, 0.5, 0.5),), receivers=((1.0, 1.0, 0.8),))
    mesh = one.mesh
    vertices = np.vstack([mesh.vertices, mesh.vertices + np.array([3.0, 0.0, 0.0])])
    triangles = np.vstack([mesh.triangles, mesh.triangles + len(mesh.vertices)])
    with pytest.raises(SolverError, match=r"the room has 5\.46 m3; are there separate volumes"):
        tetrahedra_of(vertices, triangles, one.receivers[0].position, 4.0, 2 * one.volume)


def test_an_impedance_that_makes_sound_is_refused(scene, monkeypatch):
    layers = parse_layers(["porous 100mm 10000"], "here")
    made = dataclasses.replace(scene.materials[0], construction=layers)
    monkeypatch.setattr(
        type(layers), "surface_admittance", lambda *_: np.array([[0.1 + 0j], [-0.1 + 0j]])
    )
    with pytest.raises(SceneError, match="its layers have no possible impedance at 60 Hz"):
        admittance_of(made, scene, np.array([50.0, 60.0]))


def test_words_for_modes():
    names = ("width", "length", "height")
    assert name_of(np.array([0, 2, 0]), names) == "along the length, 2nd"
    assert name_of(np.array([1, 2, 0]), names) == "tangential, length 2, width 1"
    assert name_of(np.array([1, 1, 3]), names) == "oblique, length 1, width 1, height 3"
    assert name_of(np.array([0, 0, 0]), names) == ""
    assert [ordinal(n) for n in (1, 3, 11, 12, 21)] == ["1st", "3rd", "11th", "12th", "21st"]


def test_a_wall_goes_on_absorbing_behind_a_panel():
    """At 40 Hz a thin panel keeps none of the sound from a light wall, nor adds to a rigid one."""
    f = np.array([40.0])
    scene = shoebox((4.0, 3.0, 2.5), {"left": 0.2, "other": 0.0})
    layers = parse_layers(["porous 50mm 10000"], "layers")
    panel = dataclasses.replace(scene.materials[0], name="panel", construction=layers)
    light = next(m for m in scene.materials if m.absorption[0] > 0)
    rigid = next(m for m in scene.materials if m.absorption[0] == 0)
    on_light, on_rigid, wall = (
        float(admittance_of(*pair)[0][0].real)
        for pair in ((panel, scene, f, light), (panel, scene, f, rigid), (light, scene, f))
    )
    assert on_light > 0.9 * wall + on_rigid
    assert on_rigid < 0.3 * wall
