"""The report's section on loudspeakers."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from matplotlib.figure import Figure

from raysim.loudspeakers.cabinet import Cabinet, directivity_of
from raysim.loudspeakers.directivity import AHEAD, Directivity, grid
from raysim.report import loudspeakers, style
from raysim.report.limits import limits
from raysim.report.page import compose
from tests.results_made import exponential_result


@pytest.fixture(scope="module")
def result():
    return exponential_result(batches=3, duration_s=0.1)


def equipped(result, *directivities):
    """The result with these directivities for its two sources."""
    pairs = zip(result.scene.sources, directivities, strict=True)
    sources = tuple(dataclasses.replace(source, directivity=d) for source, d in pairs)
    return dataclasses.replace(result, scene=dataclasses.replace(result.scene, sources=sources))


def monitor(scene):
    return directivity_of(
        Cabinet((0.21, 0.28, 0.34), (0.15, 0.025), (2200.0,)), scene.bands_hz, 343
    )


def lopsided(scene):
    """Three quarters of the energy to the right, half upwards and to the left."""
    ways = grid()
    energy = np.where(ways[..., 1] > 0.5, 0.75, 0.5)
    energy[AHEAD] = 1.0
    return Directivity(np.repeat(energy[..., None], len(scene.bands_hz), 2), "table 'invented.csv'")


def test_no_section_where_no_source_beams(result):
    assert loudspeakers.index_rows(result.scene) == []
    assert loudspeakers.panels(result.scene) == []
    said = " ".join(limits(result, 0))
    assert "Loudspeakers are points that radiate alike in all directions" in said


def test_section_where_a_source_beams(result):
    beamed = compose(equipped(result, monitor(result.scene), None))
    page = beamed["report.html"].decode()
    assert "<h2>Loudspeakers</h2>" in page
    assert beamed["loudspeakers.png"].startswith(b"\x89PNG")
    assert "left speaker: two-way, 15 cm and 2.5 cm in a cabinet of 21 x 28 x 34 cm" in page
    assert "radiate alike in all directions: “right speaker”" in page
    assert "taken to be flat on their axis" in page


def test_equal_loudspeakers_are_one_and_round_ones_have_one_panel(result):
    scene = equipped(result, monitor(result.scene), monitor(result.scene)).scene
    (kind,) = loudspeakers.kinds(scene)
    assert kind.names == ("left speaker", "right speaker")
    assert [alt for alt, _ in loudspeakers.panels(scene)] == [
        "Level around left speaker, right speaker alike all round its axis"
    ]
    mixed = equipped(result, monitor(result.scene), lopsided(result.scene)).scene
    assert len(loudspeakers.panels(mixed)) == 3


def test_index_table_leaves_out_what_a_subwoofer_does_not_play(result):
    sub = directivity_of(
        Cabinet((0.35, 0.4, 0.4), (0.25,), lowpass_hz=200.0), result.scene.bands_hz, 343.0
    )
    (row,) = loudspeakers.index_rows(equipped(result, sub, None).scene)
    played = [f"{index:.1f}" for index in sub.index_db[:2]]  # the octave of 250 Hz begins at 177 Hz
    assert row["cells"] == [*played, "–", "–", "–", "–"]
    assert len(loudspeakers.panels(equipped(result, sub, None).scene)) == 1
    deep = dataclasses.replace(sub, lowpass_hz=80.0)
    assert loudspeakers.panels(equipped(result, deep, None).scene) == []


@pytest.mark.parametrize(("panel", "beside"), [(0, 0.75), (1, None)])
def test_curves_lie_where_the_levels_say(result, panel, beside):
    """In the plan the right is on the right; from the side up is up and the aim to the right."""
    scene = equipped(result, lopsided(result.scene), None).scene
    with style.drawing():
        axes = Figure().add_subplot()
        loudspeakers.panels(scene)[panel][1](axes)
    curve = next(line for line in axes.lines if line.get_label() == "125 Hz")
    x, y = curve.get_data()

    def radius(energy):
        return 1 + 10 * np.log10(energy) / 30

    if beside is not None:
        assert x.max() == pytest.approx(radius(beside), abs=1e-6)
        assert y.max() == pytest.approx(1.0)
        assert x.min() == pytest.approx(-radius(0.5), abs=1e-6)
    else:
        assert x.max() == pytest.approx(1.0)
        assert y.max() == pytest.approx(radius(0.5), abs=1e-6)
