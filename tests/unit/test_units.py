import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from raysim.units import length_m


@pytest.mark.parametrize(
    ("written", "metres"),
    [
        (3.42, 3.42),
        (3, 3.0),
        ("3.42", 3.42),
        ("3.42 m", 3.42),
        ("342cm", 3.42),
        ("3420 mm", 3.42),
        ("-20cm", -0.2),
        # international foot 0.3048 m and inch 0.0254 m, exact by definition
        ("11ft2in", 11 * 0.3048 + 2 * 0.0254),
        ("11ft 2 in", 11 * 0.3048 + 2 * 0.0254),
        ("13ft9in", 13 * 0.3048 + 9 * 0.0254),
        ("7'10\"", 7 * 0.3048 + 10 * 0.0254),
        ("7′ 10″", 7 * 0.3048 + 10 * 0.0254),
        ("11 ft", 11 * 0.3048),
        ("134in", 134 * 0.0254),
        ("10 1/2in", 10.5 * 0.0254),
        ("7ft 10 1/2 in", 7 * 0.3048 + 10.5 * 0.0254),
        ("-1ft6in", -1.5 * 0.3048),
    ],
)
def test_lengths_as_people_write_them(written, metres):
    assert length_m(written) == pytest.approx(metres, rel=1e-15)


@pytest.mark.parametrize(
    ("written", "sentence"),
    [
        ("3,42", "write a decimal point, '3.42'"),
        ("3.42 yards", "is not a length"),
        ("", "is not a length"),
        ("ft", "is not a length"),
        ("5ft14in", "12 inches or more"),
        ("10 5in", "10 1/2in"),
        ("1/0in", "10 1/2in"),
        (True, "is not a length"),
        (None, "is not a length"),
        ([3.42], "is not a length"),
        (math.nan, "finite"),
        (-math.inf, "finite"),
        (10**400, "finite"),
        ("9" * 400, "finite"),
    ],
)
def test_what_is_no_length_is_refused_with_the_remedy(written, sentence):
    with pytest.raises(ValueError, match=sentence):
        length_m(written)


@given(st.floats(0.001, 100), st.sampled_from([("m", 1), ("cm", 100), ("mm", 1000)]))
def test_metric_units_agree(metres, unit):
    name, per_metre = unit
    # text carries 6 decimals of the unit: half of the last one
    assert length_m(f"{metres * per_metre:.6f}{name}") == pytest.approx(metres, abs=5.1e-7)


@given(st.integers(0, 200), st.integers(0, 11))
def test_feet_and_inches_are_inches(feet, inches):
    assert length_m(f"{feet}ft{inches}in") == pytest.approx(length_m(f"{12 * feet + inches}in"))


@given(st.text(max_size=12))
def test_any_text_is_a_length_or_a_sentence(text):
    try:
        metres = length_m(text)
    except ValueError as error:
        sentence = str(error)
        metres = 0.0 if "length" in sentence or "write" in sentence else math.nan
    assert math.isfinite(metres)
