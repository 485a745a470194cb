"""Layered absorbers against numbers and formulas printed elsewhere."""

import csv

import numpy as np
import pytest

from raysim.air import Air, Climate
from raysim.surfaces import sheets
from raysim.surfaces.admittance import most_absorbing, random_incidence
from raysim.surfaces.chamber import chamber_octaves
from raysim.surfaces.construction import Construction, octave_absorption
from raysim.surfaces.grammar import parse_layers
from raysim.surfaces.layers import Gap, Porous
from raysim.surfaces.porous import Pores, flow_resistivity
from tests.published.reference_data import published_file

# Air of the computed tables.
AIR = Air(1.204, 343.2, 1.825e-5, 101325.0)
OCTAVES = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
MODELS = {
    "Miki 1990": "miki",
    "Delany-Bazley 1970": "delany-bazley",
    "Allard-Champoux 1992": "allard-champoux",
}
HALF_DIGIT = 0.5e-4


def layers(*texts):
    return parse_layers(texts, "layers")


def construction_of(row):
    local = row["incidence"].endswith("local")
    thickness, gap = (float(row[f"{name}_mm"]) / 1e3 for name in ("thickness", "air_gap"))
    if row["model"] in MODELS:
        sigma = float(row["parameters"].split("=")[1])
        porous = Porous(thickness, sigma, MODELS[row["model"]], partitioned=local)
    else:
        given = row["parameters"].partition(":")[2].split()
        value = {key: float(text) for key, text in (word.split("=") for word in given)}
        pores = Pores(value["phi"], value["tau"], value["Lv"], value["Lt"])
        porous = Porous(thickness, value["sigma"], "jca", pores, local)
    return Construction((porous, Gap(gap, local)) if gap else (porous,))


def computed(row):
    construction = construction_of(row)
    if row["incidence"] == "normal":
        return construction.normal_incidence(OCTAVES, AIR)
    limit = 78.0 if "0-78" in row["incidence"] else 90.0
    return construction.random_incidence(OCTAVES, AIR, limit)


def test_136_computed_rows_of_porous_layers():
    """A collection computed elsewhere: every value to 0.5 %, or to its fourth digit.

    Delany and Bazley outside 0.01 < X < 1 give nothing here; the collection's -0.004 is why.
    """
    with published_file("porous_check_values_computed.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 136
    refused = 0
    for row in rows:
        expected = np.array([float(row[f"f{f:.0f}_hz"]) for f in OCTAVES])
        got = computed(row)
        known = np.isfinite(got)
        refused += (~known).sum()
        if row["model"] == "Delany-Bazley 1970":
            x = 1.204 * np.array(OCTAVES) / float(row["parameters"].split("=")[1])
            assert np.array_equal(known, (x >= 0.01) & (x <= 1))
        else:
            assert known.all()
        # 101320 Pa in the collection's Allard-Champoux, 101325 here: below half a digit more.
        np.testing.assert_allclose(got[known], expected[known], rtol=5e-3, atol=2 * HALF_DIGIT)
    assert refused == 8 + 16


def test_miki_50_mm_as_printed():
    """Sigma 10000, 50 mm on a rigid wall (published example): to the printed digit."""
    stack = layers("porous 50mm 10000")
    normal = [0.021, 0.066, 0.192, 0.485, 0.883, 0.982, 0.971, 1.000]
    random = [0.049, 0.139, 0.324, 0.589, 0.828, 0.930, 0.954, 0.963]
    np.testing.assert_allclose(stack.normal_incidence(OCTAVES, AIR), normal, rtol=0, atol=6e-4)
    np.testing.assert_allclose(stack.random_incidence(OCTAVES, AIR), random, rtol=0, atol=6e-4)


def test_largest_absorption_of_local_reaction():
    """Kuttruff, Room Acoustics, chapter 2: 0.951 at z = 1.567."""
    most, admittance = most_absorbing()
    assert most == pytest.approx(0.9512, abs=0.5e-4)
    assert 1 / admittance.real == pytest.approx(1.567, abs=0.5e-3)
    assert random_incidence(1 / 1.4)[0] < most > random_incidence(1 / 1.8)[0]


def test_measured_attenuation_of_glass_wool():
    """Tarnow 2000: 75 and 140 dB/m across sheets of 14 and 30 kg/m3 at 1 kHz.

    Flow resistivity from density knows neither binder nor the fibres' spread: 10 %.
    """
    for density, db_per_m in ((14.0, 75.0), (30.0, 140.0)):
        porous = Porous(0.1, flow_resistivity("glass wool", density))
        medium = porous.medium(np.array([1000.0]), AIR)
        wave = 2 * np.pi * 1000.0 * np.sqrt(medium.density / medium.bulk_modulus)[0]
        assert abs(wave.imag) * 8.686 == pytest.approx(db_per_m, rel=0.1)


def test_microperforated_sheet_is_maas():
    """Maa 1998, single holes: r and omega m; with 9 for 1 under the root, as the exact 4/3 asks.

    Maa's are fits to the tube's exact solution, good to 6 % (his own estimate, from memory).
    """
    f = np.geomspace(50, 5000, 30)
    omega = 2 * np.pi * f
    d, t, p = 0.3e-3, 0.5e-3, 0.01
    k = d * np.sqrt(omega * AIR.density / (4 * AIR.viscosity))
    viscous = 32 * AIR.viscosity * t / (p * d**2)
    resistance = viscous * (np.sqrt(1 + k**2 / 32) + np.sqrt(2) / 32 * k * d / t)
    mass = omega * AIR.density * t / p * (1 + 1 / np.sqrt(9 + k**2 / 2) + 0.85 * d / t)
    free = np.full(len(f), AIR.density, dtype=complex)
    inside = sheets.hole_density(f, d, AIR)
    got = sheets.openings(f, inside, t, 0.425 * d, p, (free, free), AIR)
    np.testing.assert_allclose(got.real, resistance, rtol=0.06)
    np.testing.assert_allclose(got.imag, mass, rtol=0.03)


def resonance(stack, low, high):
    """Frequency at which the reactance along the normal crosses zero upwards."""
    f = np.geomspace(low, high, 20001)
    reactance = stack.surface_impedance(f, [1.0], AIR)[:, 0].imag
    crossing = np.flatnonzero((reactance[:-1] < 0) & (reactance[1:] >= 0))
    assert len(crossing) == 1
    return f[crossing[0]]


@pytest.mark.parametrize(("mass", "gap_mm"), [(2.0, 50), (5.0, 100), (10.0, 30)])
def test_membrane_resonance(mass, gap_mm):
    """60/sqrt(m d) (handbooks): 59.9; a gap's spring softens by (k d)2/6 of the frequency."""
    found = resonance(layers(f"membrane {mass}kg/m2", f"gap {gap_mm}mm"), 20, 400)
    expected = 59.9 / np.sqrt(mass * gap_mm / 1e3)
    phase = 2 * np.pi * expected / AIR.speed_of_sound * gap_mm / 1e3
    assert found == pytest.approx(expected * (1 - phase**2 / 6), rel=2e-3)


def test_perforated_resonance():
    """(c/2 pi) sqrt(p/(h (t + 0.85 d))) with the share of neighbours; 5 mm holes every 30 mm."""
    stack = layers("perforated 6mm holes 5mm every 30mm", "gap 50mm")
    p = np.pi / 4 * (5 / 30) ** 2
    x = 5 / 30
    e = 0.85 * 5e-3 * (1 - 1.13 * x - 0.09 * x**2 + 0.27 * x**3)
    expected = AIR.speed_of_sound / (2 * np.pi) * np.sqrt(p / (0.05 * (6e-3 + e)))
    # The friction layer in the holes adds mass: 4 delta/d with delta = sqrt(eta/(2 omega rho0)).
    layer = np.sqrt(AIR.viscosity / (4 * np.pi * expected * AIR.density))
    heavier = 1 + 4 * layer / 5e-3 * 6e-3 / (6e-3 + e)
    phase = 2 * np.pi * expected / AIR.speed_of_sound * 0.05
    assert resonance(stack, 100, 1000) == pytest.approx(
        expected / np.sqrt(heavier) * (1 - phase**2 / 6), rel=3e-3
    )


def test_open_share_of_holes():
    """Perforating industry (handbook): 0.785 (d/b)2 in squares, 0.907 (d/b)2 staggered."""
    straight = layers("perforated 1mm holes 5mm every 10mm", "gap 50mm").layers[0]
    staggered = layers("perforated 1mm holes 5mm every 10mm staggered", "gap 50mm").layers[0]
    assert straight.open_share == pytest.approx(0.785 / 4, abs=0.0005 / 4)
    assert staggered.open_share == pytest.approx(0.907 / 4, abs=0.0005 / 4)


@pytest.mark.parametrize(
    ("texts", "band", "low", "high"),
    [
        (["porous 50mm {}"], 125, 0.14, 0.21),
        (["porous 50mm {}", "gap 100mm"], 125, 0.23, 0.42),
        (["porous 100mm {}"], 125, 0.33, 0.49),
        (["porous 200mm {}"], 125, 0.53, 0.73),
        (["porous 25mm {}"], 125, 0.05, 0.09),
        (["porous 50mm {}"], 63, 0.05, 0.08),
        (["porous 100mm {}"], 63, 0.15, 0.28),
    ],
)
def test_ranges_of_porous_layers_in_the_bass(texts, band, low, high):
    """Flow resistivity 5 to 40 kPa s/m2 (computed elsewhere with Miki's model): to 0.01."""
    values = [
        octave_absorption(layers(*(t.format(s) for t in texts)), [band], Climate())[0]
        for s in (5000, 7500, 10000, 15000, 20000, 30000, 40000)
    ]
    assert min(values) == pytest.approx(low, abs=0.01)
    assert max(values) == pytest.approx(high, abs=0.01)


@pytest.mark.parametrize("sigma", [5000, 8000, 12000])
def test_100_mm_of_foam_against_45(sigma):
    """Common practice: nearly twice in the lower mids. True of 200 to 500 Hz, not to 1 kHz."""
    thick, thin = (layers(f"porous {d}mm foam {sigma}") for d in (100, 45))
    bands = [200, 250, 315, 400, 500, 630, 800, 1000]
    random = octave_absorption(thick, bands, Climate(), 3) / octave_absorption(
        thin, bands, Climate(), 3
    )
    assert ((random[:5] > 1.55) & (random[:5] < 2.8)).all()
    assert (np.diff(random) < 0).all()
    assert random[-1] < 1.36
    normal = thick.normal_incidence([250.0, 1000.0], AIR) / thin.normal_incidence(
        [250.0, 1000.0], AIR
    )
    assert normal[0] > 3
    assert normal[1] < 1.7


def test_chamber_estimate_beside_measured_boards():
    """50 mm glass-fibre board of 48 kg/m3 (table): 0.22 0.82 0.99 1.00 at 125 Hz to 1 kHz.

    Within 0.2 (laboratories differ by 0.1, the board's resistivity by 2), where the surface
    without edges misses 250 Hz by 0.38.
    """
    board = layers("porous 50mm glass wool 48kg/m3")
    bands = (125, 250, 500, 1000)
    measured = np.array([0.22, 0.82, 0.99, 1.00])
    estimate = chamber_octaves(board, bands, Climate())
    endless = octave_absorption(board, bands, Climate())
    assert np.abs(estimate - measured).max() < 0.2
    assert np.abs(endless - measured).max() > 0.35
