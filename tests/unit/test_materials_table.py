import numpy as np
import pytest

from raysim.surfaces.table import TABLE_BANDS_HZ, closest, load_table, usual_range

TABLE = load_table()


@pytest.mark.parametrize("entry", TABLE.values(), ids=lambda entry: entry.name)
def test_every_row_has_a_source_and_coefficients_within_their_range(entry):
    assert entry.source
    assert entry.description
    assert entry.status in ("seen", "from memory", "judgement")
    assert "from memory" in entry.scattering_basis
    for values in (entry.absorption, entry.low, entry.high, entry.scattering):
        assert values.shape == (8,)
        assert ((values >= 0) & (values <= 1)).all()
    assert (entry.low <= entry.absorption).all()
    assert (entry.absorption <= entry.high).all()
    assert (entry.low < entry.high).any()


def test_no_published_row_hides_its_extrapolation():
    for entry in TABLE.values():
        if entry.status != "judgement":
            assert entry.extrapolated_hz == (63.0, 8000.0)
            assert entry.absorption[7] == entry.absorption[6]
            assert entry.absorption[0] in (entry.absorption[1], entry.absorption[1] / 2)


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
