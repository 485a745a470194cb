import numpy as np
import pytest

from raysim.air import Climate
from raysim.surfaces.construction import absorption_range, octave_absorption
from raysim.surfaces.grammar import parse_layers
from raysim.surfaces.table import TABLE_BANDS_HZ, closest, load_table, usual_range

TABLE = load_table()


@pytest.mark.parametrize("entry", TABLE.values(), ids=lambda entry: entry.name)
def test_every_row_has_a_source_and_coefficients_within_their_range(entry):
    assert entry.source
    assert entry.description
    assert entry.mounting
    assert entry.edge
    assert entry.status in ("seen", "from memory", "judgement", "computed")
    assert any(word in entry.scattering_basis for word in ("from memory", "judgement", "seen"))
    for values in (entry.absorption, entry.low, entry.high, entry.scattering):
        assert values.shape == (8,)
        assert ((values >= 0) & (values <= 1)).all()
    assert (entry.low <= entry.absorption).all()
    assert (entry.absorption <= entry.high).all()
    assert (entry.low < entry.high).any()


def test_no_published_row_hides_its_extrapolation():
    for entry in TABLE.values():
        if entry.status in ("seen", "from memory"):
            assert entry.extrapolated_hz == (63.0, 8000.0)
            assert entry.absorption[7] == entry.absorption[6]
            assert entry.absorption[0] in (entry.absorption[1], entry.absorption[1] / 2)


COMPUTED = [entry for entry in TABLE.values() if entry.status == "computed"]


@pytest.mark.parametrize("entry", COMPUTED, ids=lambda entry: entry.name)
def test_computed_rows_follow_from_their_layers(entry):
    """To the printed hundredth; the range holds that of the layers and the usual one."""
    construction = parse_layers(entry.layers, entry.name)
    expected = octave_absorption(construction, TABLE_BANDS_HZ, Climate())
    np.testing.assert_allclose(entry.absorption, expected, rtol=0, atol=0.005 + 1e-9)
    for low, high in (
        absorption_range(construction, TABLE_BANDS_HZ, Climate()),
        usual_range(entry.absorption, TABLE_BANDS_HZ),
    ):
        assert (entry.low <= low + 1e-9).all()
        assert (entry.high >= high - 1e-9).all()


def test_every_kind_that_a_room_needs_is_there():
    """At least 90 rows, of structure, floors, windows, doors, soft things, people, diffusers."""
    kinds = {entry.category for entry in TABLE.values()}
    assert len(TABLE) >= 90
    assert kinds >= {"hard", "panel", "floor", "glass", "wood", "carpet", "curtain", "porous"}
    assert kinds >= {"resonant", "diffuser", "seating", "people", "furniture", "unknown"}
    resonant = [e for e in TABLE.values() if e.category == "resonant"]
    assert all(e.absorption.max() > 0.3 for e in resonant)
    diffusers = [e for e in TABLE.values() if e.category == "diffuser"]
    assert all(e.scattering.max() > 2 * e.absorption[4] for e in diffusers)


def test_porous_rows_say_whether_edges_are_in_them():
    """Of a piece in a chamber, or of a large surface: they differ by a half at 250 Hz."""
    for entry in TABLE.values():
        if entry.category == "porous":
            word = "without edges" if entry.status == "computed" else "chamber"
            assert word in entry.edge, entry.name


def test_sources_are_said_once():
    assert TABLE["unknown wall"].cited == "judgement"
    assert TABLE["people seated, 1 per m2"].cited == "EN 12354-6 informative annex, from memory"
    assert TABLE["window glass"].cited.endswith("(seen)")
    assert not any(f"{e.status} ({e.status})" in e.cited for e in TABLE.values())


def test_bare_plaster_on_masonry_is_close_to_nothing():
    """Common practice; Barron 2003, appendix D: at most 0.05."""
    assert TABLE["plaster on masonry"].absorption.max() <= 0.05


def test_gypsum_board_is_everests():
    # Everest, Master Handbook of Acoustics, worked examples: 0.29 0.10 0.05 0.04 0.07 0.09
    entry = TABLE["gypsum board 13 mm on studs"]
    assert entry.absorption[1:7].tolist() == [0.29, 0.10, 0.05, 0.04, 0.07, 0.09]
    assert (entry.low[1], entry.high[1]) == (0.145, 0.58)


def test_an_unknown_wall_is_wide_and_a_knock_narrows_it():
    band = TABLE_BANDS_HZ.index(125.0)
    width = {n: TABLE[n].high[band] - TABLE[n].low[band] for n in TABLE}
    unknown = width["unknown wall"]
    assert unknown == pytest.approx(0.25)
    assert width["solid wall (knock: solid)"] < unknown
    assert width["hollow wall (knock: hollow)"] < unknown


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("gypsum board 13mm on stud", "gypsum board 13 mm on studs"),
        ("Unknown Wall", "unknown wall"),
        ("parquet", "wood parquet on concrete"),
        ("my wall", "my wal"),
        ("zzzzzz", None),
        ("", None),
    ],
)
def test_closest_name(typed, meant):
    assert closest(typed, ["my wal"]) == meant


def test_usual_range_by_hand():
    low, high = usual_range(np.array([0.2, 0.1, 0.9]), (125.0, 500.0, 1000.0))
    np.testing.assert_allclose(low, [0.1, 0.05, 0.72], rtol=1e-12)
    np.testing.assert_allclose(high, [0.4, 0.15, 1.0], rtol=1e-12)
