import dataclasses

import numpy as np
import pytest

from raysim import load_scene
from raysim.air import Climate
from raysim.errors import SceneError
from raysim.results.store import load_result, save
from raysim.surfaces.construction import octave_absorption
from raysim.surfaces.grammar import parse_layers
from tests.results_made import exponential_result

LAYERS = ["fabric 200", "porous 50 mm 12000", "gap 50mm"]
ROOM = """
[room]
size = [4.2, 3.4, 2.4]
[climate]
temperature_c = 30
[sources.left]
position = [1.1, 0.6, 1.2]
[receivers.seat]
position = [1.7, 1.64, 1.2]
[surfaces]
rear = "panel"
[materials.panel]
"""


@pytest.fixture
def load(tmp_path):
    def load(text):
        path = tmp_path / "room.toml"
        path.write_text(ROOM + text, encoding="utf-8")
        return next(m for m in load_scene(path).materials if m.name == "panel")

    return load


def test_a_material_of_layers_is_computed_in_the_air_of_the_scene(load):
    material = load(f"layers = {LAYERS}\nreference = 'measured by hand'")
    construction = parse_layers(LAYERS, "layers")
    assert material.construction == construction
    assert material.construction.texts == tuple(LAYERS)
    bands = (125, 250, 500, 1000, 2000, 4000)
    expected = octave_absorption(construction, bands, Climate(temperature_c=30))
    assert np.array_equal(material.absorption, expected)
    assert not np.array_equal(expected, octave_absorption(construction, bands, Climate()))
    assert (material.absorption_low <= expected).all()
    assert (expected <= material.absorption_high).all()
    assert material.source.startswith(
        "computed from layers: fabric 200, porous 50 mm 12000, gap 50mm; measured by hand; "
        "scattering not given, taken as "
    )


def test_scattering_and_range_of_the_file_go_before_defaults(load):
    material = load(f"layers = {LAYERS}\nscattering = 0.4\nrange = [0.1, 1.0]")
    assert (material.scattering == 0.4).all()
    assert (material.absorption_low == 0.1).all()
    assert "scattering" not in material.source


def test_what_stretches_a_model_is_doubted(tmp_path):
    path = tmp_path / "room.toml"
    path.write_text(ROOM + "layers = ['porous 50mm 30000']", encoding="utf-8")
    (doubt,) = (w for w in load_scene(path).warnings if "'panel'" in w)
    assert "Miki's model was fitted above 300 Hz here" in doubt
    assert "125 Hz 0.22 for 0.18" in doubt
    path.write_text(ROOM + "layers = ['porous 50mm 12000']", encoding="utf-8")
    assert not [w for w in load_scene(path).warnings if "'panel'" in w]


def test_a_range_beside_the_computed_absorption_is_refused(load):
    with pytest.raises(SceneError, match=r"materials\.panel\.range: .* lies outside it"):
        load(f"layers = {LAYERS}\nrange = [0.1, 0.5]")


def test_a_model_of_short_reach_still_gives_a_range_where_it_gives_a_value(load):
    # At 125 Hz the denser end of the range, 12000 Pa s/m2, is outside Delany and Bazley's.
    material = load("layers = ['porous 50mm 7500 by delany-bazley']")
    assert np.isfinite(material.absorption_low).all()
    assert (material.absorption_low <= material.absorption).all()
    assert (material.absorption <= material.absorption_high).all()


def test_layers_survive_the_result_file(tmp_path):
    result = exponential_result(batches=3, duration_s=0.02)
    first, *rest = result.scene.materials
    layered = dataclasses.replace(first, construction=parse_layers(LAYERS, "layers"))
    scene = dataclasses.replace(result.scene, materials=(layered, *rest))
    path = tmp_path / "a.h5"
    save(dataclasses.replace(result, scene=scene), path)
    again = load_result(path).scene.materials
    assert again[0].construction == layered.construction
    assert again[1].construction is None


def test_chamber_values_are_reduced_aloud(tmp_path):
    path = tmp_path / "room.toml"
    values = [0.22, 0.82, 1.18, 1.10, 0.95, 0.90]
    path.write_text(ROOM + f"absorption = {values}\nchamber = true", encoding="utf-8")
    scene = load_scene(path)
    panel = next(m for m in scene.materials if m.name == "panel")
    assert (panel.absorption < values).all()
    assert panel.absorption.max() < 0.9513
    assert panel.absorption_high[2] == 1.0
    assert (panel.absorption_high >= np.minimum(values, 1)).all()
    assert "3 x 3.6 m sample reduced" in panel.source
    note = next(note for note in scene.notes if "'panel'" in note)
    assert "500 Hz 1.18 to 0.95" in note


def test_a_named_sample_matters(load):
    values = "absorption = [0.2, 0.4, 0.7, 0.8, 0.8, 0.8]"
    plain, usual = load(values), load(f"{values}\nchamber = true")
    large = load(f"{values}\nchamber = [9.0, 9.0]")
    assert (usual.absorption < large.absorption).all()
    assert (large.absorption < plain.absorption).all()
    assert np.array_equal(load(f"{values}\nchamber = false").absorption, plain.absorption)


def test_a_computed_row_of_the_table_brings_its_layers(tmp_path):
    path = tmp_path / "room.toml"
    text = ROOM.split("[surfaces]")[0] + '[surfaces]\nrear = "wool 50 mm, 50 mm gap"\n'
    path.write_text(text, encoding="utf-8")
    found = {m.name: m.construction for m in load_scene(path).materials}
    assert found["wool 50 mm, 50 mm gap"].texts == ("porous 50mm 12000", "gap 50mm")
    assert found["unknown wall"] is None
    path.write_text(ROOM + "from = 'wool 50 mm, 50 mm gap'\nscattering = 0.4", encoding="utf-8")
    panel = next(m for m in load_scene(path).materials if m.name == "panel")
    assert panel.construction == found["wool 50 mm, 50 mm gap"]
    path.write_text(ROOM + "from = 'wool 50 mm, 50 mm gap'\nabsorption = 0.4", encoding="utf-8")
    panel = next(m for m in load_scene(path).materials if m.name == "panel")
    assert panel.construction is None
