"""`raysim materials layers` as people meet it."""

from __future__ import annotations

import json
import re
import shlex

import numpy as np
import pytest

from raysim.air import Climate
from raysim.surfaces.construction import absorption_by_angle, octave_absorption
from raysim.surfaces.grammar import parse_layers
from tests.cli.conftest import REPOSITORY, listing


def test_one_construction_in_numbers_and_words(raysim):
    outcome = raysim("materials", "layers", "porous 50mm 12000", "gap 50mm")
    assert outcome.code == 0, outcome.err
    rows = [line.split() for line in outcome.out.splitlines() if re.match(r" *[0-9.]+ k?Hz", line)]
    assert [row[0] + row[1] for row in rows][:3] == ["63Hz", "125Hz", "250Hz"]
    # normal, from all sides, range, chamber; the exact values are the business of other tests.
    assert rows[1][2:4] == ["0.21", "0.21"]
    for said in (
        "100 mm deep",
        "bass (63 and 125 Hz)",
        "low mids (250 and 500 Hz)",
        "from the 1 kHz octave up",
        "alpha_w",
        "NRC",
        "SAA",
        "doubt: porous 50mm 12000: Miki's model was fitted above 120 Hz",
        "Fire:",
        "Fibre:",
        "range: flow resistivity and cloth a factor 1.6",
    ):
        assert said in outcome.out


def test_cautions_only_where_they_apply(raysim):
    said = raysim("materials", "layers", "panel 6mm 600kg/m3", "gap 50mm").out
    assert "Overhead:" in said
    assert "Fire:" not in said
    assert "Fibre:" not in said
    said = raysim("materials", "layers", "porous 50mm foam 8000").out
    assert "Fire:" in said
    assert "Fibre:" not in said


def test_side_by_side_and_picture(raysim, folder):
    outcome = raysim(
        *("materials", "layers", "porous 50mm 12000", "/", "porous 100mm 12000"),
        *("--thirds", "--picture", "both.png"),
    )
    assert outcome.code == 0, outcome.err
    assert "1  porous 50mm 12000: 50 mm deep" in outcome.out
    assert "2  porous 100mm 12000: 100 mm deep" in outcome.out
    assert "1.25 kHz" in outcome.out
    assert listing(folder) == ["both.png"]
    assert (folder / "both.png").read_bytes().startswith(b"\x89PNG")


def test_json_holds_what_the_table_shows(raysim):
    words = [
        "materials",
        "layers",
        "fabric 300 0.2kg/m2",
        "open",
        "/",
        "membrane 3kg/m2",
        "gap 9cm",
    ]
    first, second = json.loads(raysim(*words, "--json").out)
    assert first["absorption_chamber"] == [None] * 8
    assert first["chamber"]["alpha_w"] is None
    assert second["layers"] == ["membrane 3kg/m2", "gap 9cm"]
    assert second["depth_m"] == pytest.approx(0.09)
    assert len(second["absorption_random"]) == len(second["bands_hz"]) == 8
    assert second["impedance_imaginary"][0] < 0 < second["impedance_imaginary"][-1]
    assert "first guess" in second["doubts"][0]


def test_angle_and_impedance_are_columns(raysim):
    out = raysim("materials", "layers", "porous 50mm 12000", "--angle", "60", "--impedance").out
    header = next(line for line in out.splitlines() if "band" in line)
    assert header.split()[-4:] == ["60", "degrees", "resistance", "reactance"]
    (one,) = json.loads(
        raysim("materials", "layers", "porous 5cm 12000", "--angle", "0", "--json").out
    )
    assert one["absorption_at_0_degrees"] == one["absorption_normal"]


def test_what_a_model_refuses_is_a_dash_with_its_reason(raysim):
    out = raysim("materials", "layers", "porous 50mm 20000 by delany-bazley").out
    row = next(line for line in out.splitlines() if line.lstrip().startswith("63 Hz"))
    assert row.split()[2:] == ["-", "-", "-", "-"]
    assert "holds from 166 to 16610 Hz here and gives nothing outside" in out


BAD = {
    "negative thickness": (["porous -50mm 12000"], ["-50mm", "positive"]),
    "negative gap": (["porous 50mm 12000", "gap -50mm"], ["gap -50mm", "positive"]),
    "flow resistivity too low": (["porous 50mm 400"], ["400 Pa s/m2", "500 to 1000000"]),
    "flow resistivity too high": (["porous 50mm 2000000"], ["2000000", "500 to 1000000"]),
    "gap in front": (["gap 50mm", "porous 50mm 12000"], ["in front of everything", "front first"]),
    "two gaps": (["porous 50mm 9000", "gap 50mm", "gap 30mm"], ["two gaps", "'gap 80mm'"]),
    "cloth on the wall": (["porous 50mm 9000", "fabric 300"], ["fabric 300", "rigid wall", "gap"]),
    "layers behind open": (["porous 50mm 9000", "open", "gap 50mm"], ["'open'", "put it last"]),
    "gap to nowhere": (["porous 50mm 9000", "gap 50mm", "open"], ["to nowhere", "take it out"]),
    "unknown word": (["porus 50mm 9000"], ["'porus'", "did you mean 'porous'?"]),
    "word of nothing": (["xyzzy"], ["unknown layer 'xyzzy'", "porous, gap"]),
    "missing value": (["porous 50mm"], ["flow resistivity", "missing", "porous 100mm 12000"]),
    "extra value": (["gap 50mm 3"], ["'3' is more than belongs here"]),
    "no unit": (["porous 50 12000"], ["50 has no unit", "50mm"]),
    "decimal comma": (["porous 2,5cm 12000"], ["'2,5cm'", "'2.5cm'"]),
    "comma between thousands": (["porous 25mm 12,000"], ["'12,000'", "write '12000', or"]),
    "metres for millimetres": (["porous 50m 12000"], ["50m", "2000 mm"]),
    "density of nothing": (["porous 50mm 40kg/m3"], ["density needs what it is of"]),
    "density of foam": (["porous 50mm foam 30kg/m3"], ["nothing of foam", "5000 to 20000"]),
    "density of lead": (["porous 50mm rock wool 900kg/m3"], ["900", "20 to 200"]),
    "closed sheet": (["perforated 6mm holes 5mm open 0%", "gap 5cm"], ["0 % open", "0.05 to 95"]),
    "holes that touch": (["perforated 6mm holes 5mm every 4mm", "gap 5cm"], ["closer than"]),
    "wide micro-holes": (["microperforated 1mm holes 3mm open 1%", "gap 5cm"], ["'perforated'"]),
    "swapped lengths": (
        ["porous 5cm 6600 porosity 0.98 tortuosity 1 lengths 300um 200um"],
        ["thermal length", "viscous length first"],
    ),
    "unknown model": (["porous 5cm 6600 by micki"], ["'micki'", "did you mean 'miki'?"]),
    "words without quotes": (["porous", "50mm", "12000"], ["'50mm' stands alone", "quotes"]),
    "nothing after the stroke": (["porous 50mm 12000", "/"], ["layers 2", "no layer"]),
    "not a picture": (["porous 50mm 12000", "--picture", "a.svg"], ["'a.svg'", "PNG"]),
    "folder of nowhere": (["porous 50mm 12000", "--picture", "no/a.png"], ["folder does not"]),
    "five pictures": (
        [*["porous 5cm 9000", "/"] * 4, "film 20um", "open", "--picture", "a.png"],
        ["at most 4"],
    ),
    "angle beyond grazing": (["porous 50mm 12000", "--angle", "95"], ["95"]),
    "slip of an option": (["porous 50mm 12000", "--pictre", "a.png"], ["--pictre", "--picture"]),
}


@pytest.mark.parametrize("slip", BAD, ids=lambda slip: slip.replace(" ", "-"))
def test_slip_is_named_in_one_sentence(raysim, folder, slip):
    words, fragments = BAD[slip]
    outcome = raysim("materials", "layers", *words)
    assert outcome.code == 2
    assert outcome.out == ""
    assert listing(folder) == []
    lines = outcome.err.splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("raysim: ")
    for fragment in fragments:
        assert fragment in lines[0]


def test_all_slips_at_once(raysim):
    said = raysim("materials", "layers", "gap 5cm", "/", "porus 5cm", "fabric", "gap -1mm").err
    assert len(said.splitlines()) == 4
    assert said.count("layers 1") == 1


def test_guide_as_typed(raysim, folder):  # noqa: ARG001 - pictures are written there
    guide = (REPOSITORY / "docs/guide/choosing-an-absorber.md").read_text("utf-8")
    commands = re.findall(r"^    raysim (.+)$", guide, re.MULTILINE)
    assert len(commands) >= 3
    for command in commands:
        outcome = raysim(*shlex.split(command))
        assert outcome.code == 0, outcome.err


def test_guides_tables_are_what_comes_out():
    """Every row of layers: absorption to the printed digit, or times the area before it."""
    guide = (REPOSITORY / "docs/guide/choosing-an-absorber.md").read_text("utf-8")
    rows = re.findall(r"^\| (?:(\d+) m² of )?(`.+`) \| (.+) \|$", guide, re.MULTILINE)
    assert len(rows) == 18
    for area, layers, cells in rows:
        construction = parse_layers(re.findall(r"`([^`]+)`", layers), "guide")
        got = octave_absorption(construction, (125, 250, 500, 1000, 4000), Climate())
        printed = [float(cell) for cell in cells.split(" | ")]
        half_digit = 0.05 + 1e-9 if area else 0.005 + 1e-9
        np.testing.assert_allclose(printed, got * float(area or 1), rtol=0, atol=half_digit)


def test_guides_ratios_of_foam():
    guide = (REPOSITORY / "docs/guide/choosing-an-absorber.md").read_text("utf-8")
    thick, thin = (parse_layers([f"porous {d}mm foam 8000"], "guide") for d in (100, 45))
    bands = (200, 315, 500, 800, 1000)
    ratio = octave_absorption(thick, bands, Climate(), 3) / octave_absorption(
        thin, bands, Climate(), 3
    )
    said = "2.4 times at 200 Hz, 2.1 at 315 Hz, 1.7 at 500 Hz, 1.4 at 800 Hz, 1.3 at 1 kHz"
    assert said in guide
    np.testing.assert_allclose(ratio, [2.4, 2.1, 1.7, 1.4, 1.3], rtol=0, atol=0.05 + 1e-9)
    normal = [
        absorption_by_angle(one, (250, 500, 1000), Climate(), [1.0], 3)[0] for one in (thick, thin)
    ]
    assert "4 times at 250 Hz, 2.5 at 500 Hz, 1.3 at 1 kHz" in guide
    np.testing.assert_allclose(normal[0] / normal[1], [4.0, 2.5, 1.3], rtol=0, atol=0.05 + 1e-9)


@pytest.mark.parametrize(
    ("layers", "said", "unsaid"),
    [
        (["porous 5cm 9000"], ["a factor 1.6", "Allard"], ["density", "panels"]),
        (["porous 5cm rock wool 50kg/m3"], ["from the density", "Allard"], ["1.6", "panels"]),
        (["membrane 3kg/m2", "gap 5cm"], ["loss of panels"], ["flow resistivity", "Allard"]),
        (
            ["microperforated 0.5mm holes 0.3mm open 1%", "gap 5cm"],
            ["range: workmanship, mounting and the other sizes are taken as exact"],
            ["factor", "Allard"],
        ),
    ],
)
def test_range_says_what_is_in_it(raysim, layers, said, unsaid):
    line = next(s for s in raysim("materials", "layers", *layers).out.splitlines() if "range:" in s)
    assert all(words in line for words in said)
    assert not any(words in line for words in unsaid)
