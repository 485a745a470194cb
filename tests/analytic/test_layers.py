"""Layered absorbers against closed forms and another formulation."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.special import j1

from raysim.air import Air, Climate
from raysim.bands import exact_midband_hz
from raysim.surfaces import chamber, sheets
from raysim.surfaces.admittance import (
    admittance_from_absorption,
    most_absorbing,
    random_incidence,
)
from raysim.surfaces.construction import (
    absorption_by_angle,
    absorption_range,
    frequencies_in,
    octave_absorption,
)
from raysim.surfaces.grammar import parse_layers
from raysim.surfaces.porous import Pores, allard_champoux, johnson_champoux_allard
from tests.plain import stacks
from tests.plain.patch import mean_radiation_impedance

AIR = Air(stacks.DENSITY, stacks.SPEED, stacks.VISCOSITY, 101325.0)
FREQUENCIES = np.geomspace(40.0, 9000.0, 41)


def layers(*texts):
    return parse_layers(texts, "layers")


def plain_stacks(f):
    """Three stacks and one without wall: layers, and their parts for the linear system."""
    soft, dense, air = stacks.miki(f, 12000.0), stacks.miki(f, 30000.0), stacks.air(f)
    omega = 2 * np.pi * f
    holes = stacks.holes(f, 0.006, 0.005, 0.03, dense)
    return {
        ("porous 60mm 12000", "gap 80mm"): ([("medium", *soft, 0.06), ("medium", *air, 0.08)],),
        ("membrane 3kg/m2 loss 0.1", "porous 50mm 12000", "gap 50mm"): (
            [
                ("sheet", omega * 3.0 * (0.1 + 1j)),
                ("medium", *soft, 0.05),
                ("medium", *air, 0.05),
            ],
        ),
        ("perforated 6mm holes 5mm open 3%", "porous 30mm 30000", "fabric 200", "gap 100mm"): (
            [
                ("sheet", holes),
                ("medium", *dense, 0.03),
                ("sheet", 200.0),
                ("medium", *air, 0.1),
            ],
        ),
        ("fabric 400 0.5kg/m2", "porous 40mm 12000", "film 50um 1000kg/m3", "open"): (
            [
                ("sheet", 1 / (1 / 400.0 + 1 / (0.5j * omega))),
                ("medium", *soft, 0.04),
                ("sheet", 0.05j * omega),
            ],
            True,
        ),
    }


@pytest.mark.parametrize("texts", plain_stacks(1000.0), ids=", ".join)
def test_stack_equals_one_linear_system_of_amplitudes(texts):
    """Normal incidence, 41 frequencies, to 1e-9: rounding in systems of up to 6 unknowns."""
    expected = [stacks.absorption(*plain_stacks(f)[texts]) for f in FREQUENCIES]
    got = layers(*texts).normal_incidence(FREQUENCIES, AIR)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-9)
    assert np.ptp(expected) > 0.15


def test_the_comparison_would_see_a_wrong_layer():
    texts = ("porous 60mm 12000", "gap 80mm")
    expected = [stacks.absorption(*plain_stacks(f)[texts]) for f in FREQUENCIES]
    wrong = layers("porous 60mm 12001", "gap 80mm").normal_incidence(FREQUENCIES, AIR)
    assert np.abs(wrong - expected).max() > 1e-7


def test_no_reflection_where_there_is_nothing():
    # A film of next to no mass in free air: every direction passes.
    nothing = layers("film 1um 10kg/m3", "open")
    np.testing.assert_allclose(
        nothing.absorption([100.0], [1.0, 0.5, 0.2], AIR), 1.0, rtol=0, atol=1e-6
    )


def test_a_gap_at_an_angle_is_a_spring_of_slanted_waves():
    """Cloth r over a gap d: z = r/rho0c0 - j cot(k d cos)/cos; partitioned, -j cot(k d)."""
    f, cos, r, d = 500.0, 0.6, 500.0, 0.1
    k = 2 * np.pi * f / AIR.speed_of_sound
    extended = layers("fabric 500", "gap 100mm").surface_impedance([f], [cos], AIR)[0, 0]
    local = layers("fabric 500", "gap 100mm partitioned").surface_impedance([f], [cos], AIR)[0, 0]
    assert extended == pytest.approx(r / AIR.impedance - 1j / np.tan(k * d * cos) / cos, rel=1e-12)
    assert local == pytest.approx(r / AIR.impedance - 1j / np.tan(k * d), rel=1e-12)


def test_transmitted_share_of_a_limp_mass_is_the_mass_law():
    """1 - |R|^2 of a lossless mass in free air: 1/(1 + (omega m cos/(2 rho0 c0))^2)."""
    f, cos, m = 200.0, np.array([1.0, 0.5]), 4.0
    got = layers("membrane 4kg/m2 loss 0", "open").absorption([f], cos, AIR)[0]
    wall = 2 * np.pi * f * m * cos / (2 * AIR.impedance)
    np.testing.assert_allclose(got, 1 / (1 + wall**2), rtol=1e-12)


def test_random_incidence_of_a_real_local_impedance_is_kuttruffs():
    """Cloth over a partitioned quarter wavelength is a real impedance."""
    middle = 1000.0
    gap_mm = 1e3 * AIR.speed_of_sound / (4 * middle)
    for r in (100.0, 413.0, 2000.0):
        stack = layers(f"fabric {r}", f"gap {gap_mm:.10f}mm partitioned")
        z = r / AIR.impedance
        closed = 8 / z * (1 + 1 / (1 + z) - 2 / z * np.log(1 + z))
        assert stack.random_incidence([middle], AIR)[0] == pytest.approx(closed, abs=2e-7)
        assert random_incidence(1 / z)[0] == pytest.approx(closed, rel=1e-10)


@pytest.mark.parametrize("texts", plain_stacks(1000.0), ids=", ".join)
@pytest.mark.parametrize("limit", [78.0, 90.0])
def test_random_incidence_is_paris_integral(texts, limit):
    """Against the midpoint rule with 20000 cosines, whose error is below 1e-6 here."""
    stack = layers(*texts)
    low = np.cos(np.radians(limit))
    cos = low + (1 - low) * (np.arange(20000) + 0.5) / 20000
    f = np.array([63.0, 250.0, 2000.0])
    expected = stack.absorption(f, cos, AIR) @ cos / cos.sum()
    np.testing.assert_allclose(stack.random_incidence(f, AIR, limit), expected, rtol=0, atol=1e-6)


def test_bands_are_means_in_pitch():
    stack = layers("porous 50mm 12000")
    octave = octave_absorption(stack, [500], Climate())
    thirds = octave_absorption(stack, [400, 500, 630], Climate(), per_octave=3)
    assert octave[0] == pytest.approx(thirds.mean(), rel=1e-12)
    inside = frequencies_in(500)
    assert np.exp(np.log(inside).mean()) == pytest.approx(exact_midband_hz(500), rel=1e-12)
    assert len(inside) == 24
    by_angle = absorption_by_angle(stack, [500, 1000], Climate(), [1.0, 0.5, 0.1])
    assert by_angle.shape == (3, 2)
    each = stack.absorption(inside, [0.5], Climate()).mean()
    assert by_angle[1, 0] == pytest.approx(each, rel=1e-12)


def test_range_holds_the_value_and_widens_with_doubt():
    stack, loose = layers("porous 100mm 12000"), layers("porous 100mm wool 30kg/m3")
    for one in (stack, loose):
        low, high = absorption_range(one, [125, 500], Climate())
        value = octave_absorption(one, [125, 500], Climate())
        assert (low < value).all()
        assert (value <= high).all()
    panel = layers("panel 6mm 600kg/m3", "gap 50mm")
    low, high = absorption_range(panel, [125], Climate())
    assert high[0] > 1.3 * low[0]


def test_narrow_holes_are_poiseuilles_and_wide_ones_free():
    """Maa 1998: 32 eta/d2 and 4/3 of the mass in narrow holes; slots 12 eta/w2 and 6/5."""
    f = np.array([10.0])
    omega = 2 * np.pi * f
    hole = 1j * omega * sheets.hole_density(f, 1e-4, AIR)
    assert hole.real[0] == pytest.approx(32 * AIR.viscosity / 1e-8, rel=1e-4)
    assert hole.imag[0] / (omega[0] * AIR.density) == pytest.approx(4 / 3, rel=1e-3)
    slot = 1j * omega * sheets.slot_density(f, 1e-4, AIR)
    assert slot.real[0] == pytest.approx(12 * AIR.viscosity / 1e-8, rel=1e-4)
    assert slot.imag[0] / (omega[0] * AIR.density) == pytest.approx(6 / 5, rel=1e-3)
    # Boundary layers of 0.02 mm in 20 mm: 1 + 4 delta/d, delta = sqrt(eta/(2 omega rho)).
    wide = sheets.hole_density(np.array([4000.0]), 0.02, AIR)[0]
    layer = np.sqrt(AIR.viscosity / (2 * 2 * np.pi * 4000.0 * AIR.density))
    assert wide.real / AIR.density == pytest.approx(1 + 4 * layer / 0.02, rel=1e-5)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.2])
def test_ends_of_slots_against_modes_of_the_air_in_front(share):
    """Even velocity in slots of width 1: (1/p2) sum of sin2(n pi p)/(n pi)3.

    Real flow has the least energy of all (Kelvin), so the sum lies above, by less than 10 %.
    """
    n = np.pi * np.arange(1, 20001)
    even = (np.sin(share * n) ** 2 / n**3).sum() / share**2
    assert sheets.slot_end(1.0, share) < even < 1.1 * sheets.slot_end(1.0, share)


@pytest.mark.parametrize("share", [0.005, 0.02, 0.1, 0.3])
def test_ends_of_holes_against_modes_of_the_air_in_front(share):
    """Even velocity in holes in squares of side 1: p sum of (2 J1(k a)/(k a))2/k over the modes.

    The printed polynomial is a fit: 0.3 %.
    """
    number = np.arange(-300, 301)
    k = 2 * np.pi * np.hypot(*np.meshgrid(number, number)).ravel()
    k = k[k > 0]
    radius = np.sqrt(share / np.pi)
    modes = share * (2 * j1(k * radius) / (k * radius)) ** 2 / k
    assert sheets.hole_end(2 * radius, share) == pytest.approx(modes.sum(), rel=4e-3)


def test_five_parameters_have_the_right_limits():
    """Low: resistance sigma, isothermal P0/phi; high: tau rho0/phi and gamma P0/phi."""
    pores = Pores(0.95, 1.4, 60e-6, 120e-6)
    low = johnson_champoux_allard(np.array([0.01]), 20000.0, pores, AIR)
    drag = 2j * np.pi * 0.01 * low.density[0]
    assert drag.real == pytest.approx(20000.0, rel=1e-6)
    assert low.bulk_modulus[0].real == pytest.approx(AIR.pressure / 0.95, rel=1e-4)
    high = johnson_champoux_allard(np.array([1e10]), 20000.0, pores, AIR)
    assert high.density[0].real == pytest.approx(1.4 * AIR.density / 0.95, rel=1e-2)
    assert high.bulk_modulus[0].real == pytest.approx(1.4 * AIR.pressure / 0.95, rel=1e-2)


def test_allard_champoux_has_the_right_limits():
    low = allard_champoux(np.array([1e-3]), 20000.0, AIR)
    drag = 2j * np.pi * 1e-3 * low.density[0]
    # 2 pi sqrt(0.0364) = 1.199: the printed fit's resistance is 20 % above sigma.
    assert drag.real == pytest.approx(20000.0 * 2 * np.pi * np.sqrt(0.0364), rel=1e-3)
    assert low.bulk_modulus[0].real == pytest.approx(AIR.pressure, rel=1e-3)


def test_admittance_and_absorption_are_inverse():
    values = np.array([0.0, 0.01, 0.3, 0.7, 0.95])
    for phase in (0.0, 60.0, -75.0):
        most, _ = most_absorbing(phase)
        values = values[values < most]
        found = admittance_from_absorption(values, phase_deg=phase)
        np.testing.assert_allclose(random_incidence(found), values, rtol=1e-9, atol=1e-15)
        np.testing.assert_allclose(np.degrees(np.angle(found[1:])), phase, atol=1e-9)


def test_complex_admittance_against_the_integral():
    cos = (np.arange(200000) + 0.5) / 200000
    for beta in (0.3 + 0.5j, 0.01 - 0.2j, 3 + 1j, 0.2 + 1e-7j):
        integral = np.mean(2 * cos * 4 * cos * beta.real / abs(cos + beta) ** 2)
        assert random_incidence(beta)[0] == pytest.approx(integral, rel=1e-9)


class TestChamber:
    def test_patch_against_a_double_sum(self):
        """Mean over 24 azimuths of the double surface integral, extrapolated to no square size.

        What the extrapolation leaves is below 1e-3 here.
        """
        k, sine, sides = 6.0, 0.7, (0.6, 0.9)
        coarse, middle, fine = (
            mean_radiation_impedance(k, sine, sides, side) for side in (0.1, 0.05, 0.025)
        )
        plain = coarse / 3 - 2 * middle + 8 * fine / 3
        got = chamber.radiation_impedance(k, [sine], sides)[0]
        assert got.real == pytest.approx(plain.real, abs=1e-3)
        assert got.imag == pytest.approx(plain.imag, abs=1e-3)

    def test_small_and_large_patches(self):
        """k2 S/(2 pi) of a small source in a wall; 1/cos(theta) of a large one."""
        small = chamber.radiation_impedance(1e-3, [0.0, 0.9], (3.0, 3.6))
        np.testing.assert_allclose(small.real, 1e-6 * 10.8 / (2 * np.pi), rtol=2e-6)
        large = chamber.radiation_impedance(300.0, [0.0, 0.6], (3.0, 3.6))
        np.testing.assert_allclose(large.real, [1.0, 1.25], rtol=2e-4)

    def test_a_large_sample_reads_as_a_surface_without_edges(self):
        stack = layers("porous 100mm 12000 partitioned")
        f = np.array([250.0, 1000.0])
        endless = stack.random_incidence(f, AIR)
        excess = [
            chamber.chamber_absorption(stack, f, AIR, (a, a)) - endless for a in (3.0, 6.0, 12.0)
        ]
        assert (excess[0] > 0.05).all()
        # It falls at least with perimeter over area, towards nothing.
        for smaller, larger in pairwise(excess):
            assert (smaller / larger > 1.9).all()
            assert (smaller / larger < 3.0).all()

    def test_reduction_undoes_the_reading(self):
        """A real local impedance, read as a sample, comes back as its random incidence."""
        middle = exact_midband_hz(500)
        gap_mm = 1e3 * AIR.speed_of_sound / (4 * middle)
        for r in (1000.0, 3000.0):
            stack = layers(f"fabric {r}", f"gap {gap_mm:.10f}mm partitioned")
            reading = chamber.chamber_absorption(stack, [middle], AIR)
            reduced = chamber.reduce_chamber_values(reading, [500], AIR)
            expected = random_incidence(AIR.impedance / r)
            assert reading[0] > expected[0] + 0.02
            np.testing.assert_allclose(reduced.absorption, expected, rtol=0, atol=1e-4)


def test_a_wall_behind_is_as_its_layers_would_be():
    """Layers before the admittance of further layers; along the normal that is one stack."""
    f = np.array([30.0, 63.0, 125.0, 500.0])
    front, back = ["fabric 200", "porous 50mm 12000"], ["porous 100mm 8000", "gap 80mm"]
    climate = Climate()
    wall = parse_layers(back, "layers").surface_admittance(f, [1.0], climate)[:, 0]
    made = parse_layers(front, "layers").surface_admittance(f, [1.0], climate, wall)
    whole = parse_layers([*front, *back], "layers").surface_admittance(f, [1.0], climate)
    assert made == pytest.approx(whole, rel=1e-12)


def test_before_a_light_wall_thin_layers_add_what_they_have():
    """Far below a quarter wavelength the pressure goes through: admittances add up."""
    f, wall = np.array([20.0]), 0.07
    layers = parse_layers(["porous 20mm 5000"], "layers")
    alone = layers.surface_admittance(f, [1.0], Climate())[0, 0]
    both = layers.surface_admittance(f, [1.0], Climate(), [wall])[0, 0]
    assert both == pytest.approx(wall + alone, abs=0.03 * wall)
