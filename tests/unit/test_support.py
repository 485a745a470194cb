"""Supports under a loudspeaker: textbook values, and what the command says and refuses."""

from __future__ import annotations

import json

import numpy as np
import pytest

from raysim.cli.main import main
from raysim.theory.support import (
    isolates_above_hz,
    pad_stiffness_n_m,
    resonance_hz,
    static_deflection_m,
    transmissibility,
)
from raysim.units import mass_kg


@pytest.mark.parametrize(("sinks_mm", "hertz"), [(1, 15.8), (0.2, 35.2), (2, 11.1), (25.4, 3.13)])
def test_resonance_of_a_deflection(sinks_mm, hertz):
    """15.8 / sqrt(mm); one inch gives 3.13 Hz (common practice). Last printed digit."""
    assert resonance_hz(sinks_mm / 1000) == pytest.approx(hertz, abs=0.06 if hertz > 10 else 0.006)


@pytest.mark.parametrize(("ratio", "sinks_mm"), [(1.0, 0.31), (3.0, 0.93)])
def test_what_isolates_at_40_hz_as_the_page_says(ratio, sinks_mm):
    least = ratio * 9.81 * 2 / (2 * np.pi * 40) ** 2
    assert 1e3 * least == pytest.approx(sinks_mm, abs=0.005)
    assert isolates_above_hz(resonance_hz(least, ratio)) == pytest.approx(40)
    ten_db_down = 10 ** (-10 / 20)
    assert transmissibility(40, resonance_hz(2 * least, ratio), 0.1) > ten_db_down
    assert transmissibility(40, resonance_hz(2.3 * least, ratio), 0.1) < ten_db_down


def test_resonance_is_that_of_the_mass_on_its_spring():
    """2 pi f = sqrt(k/m), whatever the way to k; the stiffness in motion counts."""
    stiffness = 4 * pad_stiffness_n_m(0.5e6, 20e-4, 0.015)
    sinks = static_deflection_m(12.0, stiffness)
    assert resonance_hz(sinks, 2.0) == pytest.approx(np.sqrt(2 * stiffness / 12) / (2 * np.pi))


@pytest.mark.parametrize("damping", [0.01, 0.1, 0.5, 1.0])
def test_transmissibility_of_a_textbook(damping):
    """1 at rest and at sqrt(2) for any damping; sqrt(1 + 4 z^2)/(2 z) at q = 1 (Den Hartog)."""
    edge = isolates_above_hz(20.0)
    got = transmissibility([0.0, edge, 20.0], 20.0, damping)
    np.testing.assert_allclose(got, [1, 1, np.sqrt(1 + 4 * damping**2) / (2 * damping)])
    below, above = transmissibility([0.99 * edge, 1.01 * edge], 20.0, damping)
    assert below > 1 > above


def test_transmissibility_undamped():
    """1/(q^2 - 1): 1/3 at q = 2, 1/8 at q = 3; damping makes it worse up there."""
    np.testing.assert_allclose(transmissibility([20.0, 30.0], 10.0, 0.0), [1 / 3, 1 / 8])
    assert transmissibility(30.0, 10.0, 0.2) > 1 / 8


def test_transmissibility_is_that_of_the_equation_of_motion():
    """Complex amplitude of m x'' = F - k x - c x', force on the floor k x + c x'."""
    mass, stiffness, drag = 12.0, 6e4, 150.0
    omega = 2 * np.pi * np.array([3.0, 11.0, 40.0, 200.0])
    spring = stiffness + 1j * omega * drag
    force = np.abs(spring / (spring - mass * omega**2))
    natural = np.sqrt(stiffness / mass)
    got = transmissibility(omega, natural, drag / (2 * mass * natural))
    np.testing.assert_allclose(got, force, rtol=1e-12)


def test_pad_that_sinks_little_helps_little(capsys):
    """0.2 mm: 35 Hz or higher, and 50 Hz at best."""
    assert main(["support", "--deflection", "0.2mm"]) == 0
    said = capsys.readouterr().out
    assert "resonance 35 to 61 Hz" in said
    assert "isolates above 50 to 86 Hz" in said
    assert "won't cure a neighbour's bass" in said
    assert "toppling" in said


def test_json_holds_the_worst_of_the_range(capsys):
    """40 Hz lies between 35 and 61 Hz: somewhere in the range it is the resonance."""
    assert main(["support", "--deflection", "0.156mm", "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    low, high = content["force_on_floor_db"][content["bands_hz"].index(63.0)]
    peak = 20 * np.log10(np.sqrt(1 + 4 * 0.1**2) / 0.2)
    assert low < high
    assert high == pytest.approx(peak, abs=0.05)
    assert content["doubt"] == ""


def test_soft_pads_are_doubted(capsys):
    pads = ["--modulus", "0.1", "--area", "10", "--thickness", "1cm"]
    assert main(["support", "--mass", "10kg", *pads]) == 0
    assert "squeezed by 25 % of their thickness; beyond 15 %" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ("", "give one of --deflection 2mm"),
        ("--mass 12kg", "give one of --deflection 2mm"),
        ("--deflection 2mm --stiffness 3", "give one of --deflection 2mm"),
        ("--stiffness 3", "--mass is missing"),
        ("--mass 12 --modulus 0.5", "a pad needs --modulus, --area and --thickness"),
        ("--deflection 2", "it would sink 2000 mm, which no support does"),
        ("--deflection=-2mm", "-2mm is not more than 0"),
        ("--deflection 2mmm", "'2mmm' is not a length"),
        ("--mass 12kgs --stiffness 3", "'12kgs' is not a mass"),
        ("--mass 12 --modulus 0.01 --area 5 --thickness 1cm", "squeezed by 589 % of their"),
        ("--deflection 2mm --dynamic 0.5 1", "0.5 is not in the range"),
    ],
)
def test_slips_are_named(capsys, arguments, sentence):
    assert main(["support", *arguments.split()]) == 2
    said = capsys.readouterr()
    assert sentence in said.err
    assert said.out == ""


def test_masses_as_people_write_them():
    """Pound of 0.45359237 kg, exact by definition."""
    assert [mass_kg(t) for t in ("12", "12kg", "12 KG", "800 g")] == [12, 12, 12, 0.8]
    assert mass_kg("26lb") == pytest.approx(26 * 0.45359237)
    for wrong in ("", "0", "-3kg", "1e9", "twelve", "3,5kg"):
        with pytest.raises(ValueError, match="is not a mass"):
            mass_kg(wrong)
