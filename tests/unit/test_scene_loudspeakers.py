"""Loudspeakers in scene files, in `raysim check`, and in results."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from raysim.errors import ResultError, SceneError
from raysim.loudspeakers.cabinet import Cabinet, directivity_of
from raysim.results.store import load_result, save
from raysim.scene.check import examine
from raysim.scene.read import load_scene
from raysim.settings import Settings
from raysim.solvers.run import run
from tests.property.test_store_identity import assert_identical
from tests.results_made import exponential_result
from tests.unit.test_directivity_files import rows, write_sofa

MONITOR = """\
cabinet = ["21cm", "28cm", "34cm"]
drivers = ["15cm", "2.5cm"]
crossover_hz = 2200
"""
SCENE = """\
title = "Invented bedroom"
bands = [125, 1000]
[room]
size = [4.2, 3.4, 2.4]
[surfaces]
"*" = "unknown wall"
[loudspeakers.monitor]
{monitor}
[sources.left]
position = [1.10, 0.60, 1.10]
loudspeaker = "{named}"
{more}
[sources.right]
position = [2.30, 0.60, 1.10]
[receivers.seat]
position = [1.70, 1.64, 1.10]
"""


@pytest.fixture
def load(tmp_path):
    def read(monitor=MONITOR, named="monitor", more="", **keys):
        path = tmp_path / "room.toml"
        path.write_text(SCENE.format(monitor=monitor, named=named, more=more), encoding="utf-8")
        return load_scene(path, **keys)

    return read


def sentences(scene, kind):
    return [one.sentence for one in examine(scene) if one.kind == kind]


def test_source_takes_the_loudspeaker_it_names(load):
    scene = load()
    left, right = scene.sources
    cabinet = Cabinet((0.21, 0.28, 0.34), (0.15, 0.025), (2200.0,))
    expected = directivity_of(cabinet, scene.bands_hz, scene.climate.speed_of_sound)
    assert_identical(left.directivity, expected)
    assert right.directivity is None
    fact = "'left': two-way, 15 cm and 2.5 cm in a cabinet of 21 x 28 x 34 cm, crossover at 2200 Hz"
    assert any(s.startswith(fact) for s in sentences(scene, "info"))
    assert not any("aims away" in s for s in sentences(scene, "doubt"))


def test_files_beside_the_scene(load, tmp_path):
    head = "azimuth_deg,elevation_deg,level_125hz_db,level_1000hz_db,level_2000hz_db"
    for band in (250, 500):
        head += f",level_{band}hz_db"
    lines = [f"{line},0,0" for line in rows()]
    (tmp_path / "m.csv").write_text("\n".join([head, *lines]), encoding="utf-8")
    write_sofa(tmp_path / "m.sofa")
    of_table = load('directivity = "m.csv"').sources[0].directivity
    of_sofa = load('directivity = "m.sofa"').sources[0].directivity
    assert of_table.origin == "table 'm.csv', 614 directions"
    # At the angles of both files; four neighbours between may be cut into triangles either way.
    one, other = of_table.energy[::2, ::2, 3], of_sofa.energy[::2, ::2, 3]
    np.testing.assert_allclose(one, other, rtol=2e-4)


@pytest.mark.parametrize(
    ("monitor", "sentence"),
    [
        ("", "line 7: loudspeakers.monitor: give 'cabinet' = [width, depth, height] and 'drivers'"),
        ("cabinet = [0.2, 0.3, 0.3]", "give 'cabinet' = [width, depth, height] and 'drivers'"),
        (f'{MONITOR}directivity = "m.csv"', "has both 'directivity' and 'cabinet'; give one"),
        ('directivity = "m.txt"', "'m.txt' is neither .csv nor .sofa"),
        ('directivity = "m.csv"', "loudspeakers.monitor.directivity: m.csv: it cannot be read"),
        ('directivity = "m.sofa"', "m.sofa: there is no such file"),
        (MONITOR.replace("2200", "[500, 2200]"), "2 crossover frequencies for 2 drivers"),
        (MONITOR.replace("crossover_hz = 2200", ""), "0 crossover frequencies for 2 drivers"),
        (MONITOR.replace("2200", "22000"), "22000 Hz is outside 20 to 20000 Hz"),
        (MONITOR.replace('"15cm"', "15"), "15 m is no diameter of a driver"),
        (
            MONITOR.replace('"15cm"', '"25cm"'),
            "a driver of 25 cm does not fit on a front of 21 x 34",
        ),
        (MONITOR.replace('"28cm"', '"3cm"'), "in so flat a cabinet is not a box with a driver"),
        (MONITOR.replace('"21cm"', "21"), "a cabinet 21 m long; numbers without a unit are metres"),
        (f"{MONITOR}crossover_order = 3", "3 is not an order; give 2, 4, 6 or 8"),
        (f"{MONITOR}lowpass_hz = 120", "lowpass_hz 120 leaves nothing to the driver above"),
        (MONITOR.replace("drivers", "driver"), "unknown key 'driver', did you mean 'drivers'?"),
    ],
)
def test_wrong_loudspeakers_are_named(load, monitor, sentence):
    with pytest.raises(SceneError) as caught:
        load(monitor)
    assert sentence in str(caught.value)
    assert len(caught.value.complaints) == 1


def test_misspelt_loudspeaker(load):
    with pytest.raises(SceneError, match="no loudspeaker 'moniter', did you mean 'monitor'"):
        load(named="moniter")


def test_a_faulty_loudspeaker_is_not_also_missing(load):
    with pytest.raises(SceneError) as caught:
        load(MONITOR.replace("2200", '"high"'))
    assert len(caught.value.complaints) == 1


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"more": 'aim = "front"'}, "'left' aims away from every receiver; 'seat' is nearest"),
        ({"monitor": f"{MONITOR}\n[loudspeakers.idle]\n{MONITOR}"}, "no source names .* 'idle'"),
        (
            {"monitor": MONITOR.replace('"15cm", "2.5cm"', '"2.5cm", "15cm"')},
            "its drivers don't get smaller from low to high frequency",
        ),
        (
            {"monitor": 'cabinet = [0.2, 0.2, 1.1]\ndrivers = "10cm"'},
            "its longest edge is more than 4 times its shortest",
        ),
    ],
)
def test_doubts(load, changes, sentence):
    found = sentences(load(**changes), "doubt")
    assert any(re.search(sentence, s) for s in found), found


def test_a_subwoofer_says_where_it_does_not_count(load):
    found = sentences(
        load('cabinet = [0.3, 0.35, 0.4]\ndrivers = "25cm"\nlowpass_hz = 120'), "info"
    )
    assert "'left' plays up to 120 Hz: it doesn't count at 250 Hz and above" in found


def test_where_the_model_of_a_driver_ends(load):
    """20 cm in a sphere of 0.224 m radius: 23.5 mm deep, half a wavelength of 7.29 kHz."""
    scene = load('cabinet = [0.3, 0.35, 0.45]\ndrivers = "20cm"', bands=(125, 8000))
    doubt = "its 20 cm driver plays up to 11220 Hz, and above about 7289 Hz this model"
    assert any(doubt in s for s in sentences(scene, "doubt"))
    assert not any("plays up to" in s for s in sentences(load(), "doubt"))


def test_result_keeps_directivities_to_the_bit(tmp_path):
    result = exponential_result(batches=3, duration_s=0.02)
    scene = result.scene
    sub = Cabinet((0.35, 0.4, 0.4), (0.25,), lowpass_hz=80.0)
    left = dataclasses.replace(
        scene.sources[0], directivity=directivity_of(sub, scene.bands_hz, 343.0)
    )
    result = dataclasses.replace(
        result, scene=dataclasses.replace(scene, sources=(left, scene.sources[1]))
    )
    save(result, tmp_path / "a.h5")
    loaded = load_result(tmp_path / "a.h5")
    assert_identical(result, loaded)
    assert loaded.scene.sources[0].directivity.lowpass_hz == 80.0


def test_a_run_is_not_extended_with_another_directivity(load):
    """A table may change while the scene file that names it does not."""
    scene = load()
    settings = Settings(rays=32, image_order=1, duration_s=0.05)
    earlier = run(scene, settings)
    left = dataclasses.replace(scene.sources[0], directivity=None)
    changed = dataclasses.replace(scene, sources=(left, *scene.sources[1:]))
    run(scene, settings, extend=earlier)
    with pytest.raises(ResultError, match="of another scene"):
        run(changed, settings, extend=earlier)
