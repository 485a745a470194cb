"""The section on the bass: what it says and draws is what the quantities say."""

import csv
import dataclasses
import io
import re

import numpy as np
import pytest

from raysim import quantities
from raysim.errors import SettingsError
from raysim.quantities.bass_plan import Plan
from raysim.quantities.dip_ranges import depth_ranges_db
from raysim.quantities.dips import Dip, find_dips
from raysim.report import bass_words
from raysim.report.bass import bass_section
from raysim.report.bass_maps import maps_at_modes
from tests.report_made import result as bedroom
from tests.results_made import exponential_result, made_bass


@pytest.fixture(scope="module")
def made():
    return exponential_result(
        bass=True, batches=4, duration_s=0.3, variants=("as built", "treated")
    )


@pytest.fixture(scope="module")
def section(made):
    """Pictures are composed but not rendered."""
    first = quantities.side_of(made, "as built").result
    with pytest.MonkeyPatch.context() as patch:
        for name in ("svg", "png"):
            patch.setattr(f"raysim.report.style.{name}", lambda _figure: b"picture")
        return bass_section(made, first)


@pytest.fixture(scope="module")
def files(section):
    return section.files


def test_what_the_section_shows(section, files):
    page = " ".join(str(section.html).split())
    assert "too short to be heard (not sure)" in page
    assert "(40 Hz to 50 Hz) their third-octaves differ by" in page
    assert "Level with treated against as built" in page
    assert "Computed up to 60 Hz, as asked." in page
    pictures = {name for name in files if name.endswith(".png")}
    assert {"response.png", "response_sources.png", "bass.png"} < pictures
    assert "response_variant_01.png" in pictures


def test_no_section_without_the_bass(made):
    bare = dataclasses.replace(made, bass=None)
    assert bass_section(bare, bare) is None


def test_tables_hold_what_the_quantities_say(made, files):
    modes = list(csv.DictReader(io.StringIO(files["modes.csv"].decode("utf-8"))))
    assert [row["variant"] for row in modes] == ["as built"] * 2 + ["treated"] * 2
    assert [float(row["frequency_hz"]) for row in modes] == [33.6, 44.0, 33.6, 44.0]
    response = quantities.joined_response(made)
    rows = list(csv.DictReader(io.StringIO(files["response.csv"].decode("utf-8"))))
    assert len(rows) == len(response.frequency_hz)
    column = "treated left speaker + right speaker to seat smoothed_db"
    found = np.array([float(row[column]) for row in rows])
    assert found == pytest.approx(response.smoothed_db[1, 2, 0], abs=0.006)
    notches = list(csv.DictReader(io.StringIO(files["notches.csv"].decode("utf-8"))))
    wanted = quantities.boundary_notches(made)
    assert [row["surface"] for row in notches] == [n.surface for n in wanted]
    thirds = list(csv.DictReader(io.StringIO(files["bass_thirds.csv"].decode("utf-8"))))
    assert float(thirds[0]["corners_over_room_db"]) == pytest.approx(6.0206, abs=1e-3)


def test_plan_between_its_points():
    """A standing wave of 2 m between points 0.25 m apart: within 0.2 dB of its loudest."""
    cells = np.array([(i, j) for i in range(-6, 7) for j in range(-6, 7)])
    wave = np.sqrt(2) * np.cos(np.pi * 0.25 * cells[:, 0]) + 0j
    plan = Plan(50.0, cells, wave, np.array([1.0, 2.0, 1.2]), np.eye(3)[:2])
    right, front, levels = plan.finer(5)
    loud = (np.abs(right) <= 5) & (np.abs(np.cos(np.pi * 0.25 * right)) > 0.5)
    wanted = 20 * np.log10(np.sqrt(2) * np.abs(np.cos(np.pi * 0.25 * right[loud])))
    assert levels[loud][:, np.abs(front) <= 5] == pytest.approx(
        np.broadcast_to(wanted[:, None], (loud.sum(), (np.abs(front) <= 5).sum())), abs=0.2
    )
    level = plan.level_at([[1.0, 2.0, 0.0], [1.5, 2.3, 0.0], [9.0, 2.0, 0.0]])
    assert level[0] == pytest.approx(3.01, abs=0.1)
    assert level[1] < -25  # a quarter of the wave away
    assert np.isnan(level[2])


def test_walk_along_a_line(made):
    """The made plan is as loud everywhere: 0 dB, from the seat half a metre off."""
    seat = made.scene.receivers[0].position
    distance, level = quantities.walk(made, 50.0, seat, seat + np.array([0.3, 0.4, 0.0]), count=11)
    assert distance == pytest.approx(np.linspace(0, 0.5, 11))
    assert level[:5] == pytest.approx(0, abs=1e-4)
    with pytest.raises(SettingsError, match="tone: 400 Hz is outside the 20 to 60 Hz"):
        quantities.walk(made, 400.0, seat, seat)
    with pytest.raises(SettingsError, match="no bass; run it again with --bass"):
        quantities.bass_plan(dataclasses.replace(made, bass=None), 50.0)


def test_modes_that_nothing_drives_are_not_mapped(made):
    bass = made_bass(1, 2, 1)
    driven = dataclasses.replace(bass, mode_at_sources=np.array([[1.0, 1.0], [1.0, -1.0]]))
    alone = dataclasses.replace(made, variants=("as built",), bass=driven)
    shown = maps_at_modes(alone, quantities.modes_of(alone, driven))
    assert [(one.plan.frequency_hz, one.kind) for one in shown] == [(34, "along the length, 1st")]


def test_words_name_the_surface_of_a_hole(made):
    response = quantities.joined_response(made)
    modes = quantities.modes_of(made, made.bass)
    dips = [[Dip(153.0, 9.0, "front", 5.0, True)], [Dip(87.0, 9.0, "", float("nan"), True)]]
    said = " ".join(bass_words.sentences(made, response, modes, dips))
    for source, hole in (
        ("left", r"at 153 Hz, 9 dB deep \(-?\d+ to 9\), made by the surface “front”"),
        ("right", r"at 87 Hz, 9 dB deep \(-?\d+ to 9\), made by several surfaces at once"),
    ):
        start = (
            f"Holes of the source “{source} speaker”, in brackets within the materials' ranges: "
        )
        assert re.search(start + hole, said)
    assert "Corners are 6 to 6 dB louder than the room on average" in said
    assert "by third-octave, ±0.0 dB over the loudspeakers; most at" in said
    assert "A head that moves 15 cm hears third-octaves change by up to 0.0 dB" in said


def test_dip_of_two_paths_is_given_to_its_surface():
    """Direct sound and a hard front wall alone: the first dip is its notch, 153 Hz, by waves."""
    made = bedroom()
    hard = tuple(
        dataclasses.replace(m, absorption=m.absorption * 0, scattering=m.scattering * 0)
        for m in made.scene.materials
    )
    front = next(n for n, f in enumerate(made.scene.facets) if f.name == "front")
    kept = tuple(p for p in made.reflections if p.facets in ((), (front,)))
    f = np.arange(20.0, 241.0)
    speed = made.scene.climate.speed_of_sound
    zone = np.zeros((1, 2, 1, 9, len(f)), complex)
    for path in kept:
        turn = np.exp(-2j * np.pi * f * path.length_m / speed)
        zone[0, path.source, 0] += 10 / path.length_m * turn
    bass = dataclasses.replace(made_bass(1, 2, 1), frequency_hz=f, zone=zone)
    made = dataclasses.replace(
        made,
        scene=dataclasses.replace(made.scene, materials=hard),
        reflections=kept,
        energy_batches=made.energy_batches * 1e-6,
        bass=bass,
    )
    dips = find_dips(made, quantities.joined_response(made), 0, 0, 0)
    assert dips[0].frequency_hz == pytest.approx(153.4, abs=4)
    assert {dip.surface for dip in dips} == {"front"}
    assert dips[0].by_waves
    assert dips[0].gain_db == pytest.approx(-20 * np.log10(1 - 1.2007 / 2.3190), abs=0.2)
    absorbing = tuple(
        dataclasses.replace(m, absorption_low=0 * m.absorption, absorption_high=0.36 + m.absorption)
        for m in hard
    )
    spread = dataclasses.replace(made, scene=dataclasses.replace(made.scene, materials=absorbing))
    response, at_ends = quantities.joined_response(spread), np.repeat(bass.response, 2, axis=0)
    high = [d for d in dips if d.frequency_hz > 300]
    assert high
    for dip, (least, most) in zip(
        high, depth_ranges_db(spread, response, high, at_ends, 0, 0), strict=True
    ):
        ratio = 1.2007 / 2.3190
        assert most == pytest.approx(dip.depth_db)
        # The reflection keeps 0.8 of its amplitude; a twelfth of an octave shows most of it.
        assert dip.depth_db - least == pytest.approx(
            20 * np.log10((1 - 0.8 * ratio) / (1 - ratio)), abs=0.7
        )
    higher = dataclasses.replace(bass, mode_frequency_hz=np.full(len(bass.mode_variant), 160.0))
    made = dataclasses.replace(made, bass=higher)
    above = find_dips(made, quantities.joined_response(made), 0, 0, 0)
    assert above[0].frequency_hz == dips[1].frequency_hz > 160
