"""Porous bodies as volumes, in ducts and boxes, against plane waves and exact equations."""

import numpy as np
import pytest
from scipy.sparse import csc_array

from raysim.air import Climate
from raysim.surfaces.porous import allard_champoux
from raysim.waves.bodies import Filling, terms_of
from raysim.waves.damped import damped_modes
from raysim.waves.factor import Factor, dissection
from raysim.waves.reduced import reduce
from raysim.waves.threads import one_thread
from raysim.waves.treated import treat
from tests.plain.structured import box_elements

AIR = Climate().air
SPEED = AIR.speed_of_sound
SOURCE = np.array([[0.4, 0.6, 0.8]])


def filling(body, resistivity, frequencies, resistance=None):
    """Wool of a flow resistivity, perhaps under a cloth of a resistance in Pa s/m."""
    medium = allard_champoux(frequencies, resistivity, AIR)
    facing = None
    if resistance is not None:
        facing = np.full(len(frequencies), AIR.impedance / resistance + 0j)
    softness = AIR.density * SPEED**2 / medium.bulk_modulus
    return Filling(body, AIR.density / medium.density, softness, facing)


def hard(frequencies):
    return np.zeros((6, len(frequencies)), complex)


def through(pressure, velocity, wave, impedance, thickness):
    """Pressure and velocity at the front of a layer from those at its back."""
    turn = wave * thickness
    return (
        np.cos(turn) * pressure + 1j * impedance * np.sin(turn) * velocity,
        1j / impedance * np.sin(turn) * pressure + np.cos(turn) * velocity,
    )


def duct():
    """3 m long and 0.3 m wide, a plug of 100 mm two metres from the end with the source."""
    elements = box_elements((3.0, 0.3, 0.3), (30, 1, 1), [((2.0, 0, 0), (2.1, 0.3, 0.3))])
    return reduce(elements, SPEED, 300.0, np.array([[0.1, 0.15, 0.15]]))


def plug_off_db(reduced, cloth):
    """(2, frequencies) before and behind wool of 20 kPa s/m2, bare or under cloth on both sides.

    Ratios of pressures by transfer matrices of air, cloth, wool, cloth and air to a hard end.
    """
    f = np.arange(40.0, 301.0, 20.0)
    found = treat(reduced, hard(f), f, [filling(0, 20000.0, f, cloth)]).response(
        np.array([[0.9, 0.15, 0.15], [1.7, 0.1, 0.2], [2.6, 0.1, 0.2]])
    )[0]
    k, medium = 2 * np.pi * f / SPEED, allard_champoux(f, 20000.0, AIR)
    wave = 2 * np.pi * f * np.sqrt(medium.density / medium.bulk_modulus)
    impedance = np.sqrt(medium.density * medium.bulk_modulus)
    behind = np.cos(0.4 * k)
    p, v = through(1.0, 0.0, k, AIR.impedance, 0.9)
    p = p + (cloth or 0.0) * v
    p, v = through(p, v, wave, impedance, 0.1)
    p = p + (cloth or 0.0) * v
    far, near = (through(p, v, k, AIR.impedance, d)[0] for d in (1.1, 0.3))
    exact = np.array([near / far, behind / far])
    return 20 * np.log10(np.abs(found[1:] / found[0] / exact))


@pytest.fixture(scope="module", name="duct")
def made_duct():
    return duct()


@pytest.mark.parametrize("cloth", [None, 600.0])
def test_plug_in_a_duct(duct, cloth):
    """0.1 dB before the plug, 0.3 dB behind it, where the level is down to 30 dB lower."""
    before, behind = np.abs(plug_off_db(duct, cloth)).max(axis=1)
    assert before < 0.1
    assert behind < 0.3


SIZE, DEPTH = np.array([2.4, 3.0, 1.9]), 0.3


def lined():
    """A box with a layer 0.3 m deep on one wall."""
    layer = ((SIZE[0] - DEPTH, 0, 0), SIZE)
    return reduce(box_elements(SIZE, (8, 6, 4), [layer]), SPEED, 160.0, SOURCE)


def lined_off(reduced, cloth):
    """(2, modes) frequency and decay less the exact ones, in shares of them.

    Continuous pressure and volume velocity at the layer, cos(q x) before it and cos(q' (L - x)) in
    it with one wavenumber along both (Morse and Ingard, Theoretical Acoustics, chapter 9.4).
    """
    f = np.arange(20.0, 161.0)
    wool = filling(0, 10000.0, f, cloth)
    modes = damped_modes(treat(reduced, hard(f), f, [wool]))
    assert len(modes.wavenumbers) >= 10
    assert modes.frequencies_hz.min() > 40  # what creeps in the wool at 20 Hz is none
    numbers = np.indices((1, 12, 8)).reshape(3, -1).T[:, 1:]
    along = ((numbers * np.pi / SIZE[1:]) ** 2).sum(axis=1)
    found = modes.wavenumbers[modes.frequencies_hz < 150]
    exact = np.array(
        [min((root(k, a, wool, f, cloth) for a in along), key=lambda e: abs(e - k)) for k in found]
    )
    return np.array([found.real / exact.real, found.imag / exact.imag]) - 1


@pytest.fixture(scope="module", name="lined")
def made_lined():
    return lined()


@pytest.mark.slow
@pytest.mark.parametrize("cloth", [None, 300.0])
def test_modes_of_a_box_with_a_lined_wall(lined, cloth):
    """Sound goes along the layer too: frequency 0.3 %, decay 3 %."""
    frequency, decay = np.abs(lined_off(lined, cloth)).max(axis=1)
    assert frequency < 3e-3
    assert decay < 3e-2


def root(k, along, wool, frequencies, cloth):
    """Complex wavenumber near k of the lined box, by Newton's method."""
    at = np.interp(k.real * SPEED / (2 * np.pi), frequencies, np.arange(len(frequencies)))
    low = int(min(at, len(frequencies) - 2))
    light, soft = (
        own[low] + (at - low) * (own[low + 1] - own[low]) for own in (wool.lightness, wool.softness)
    )

    def mismatch(k):
        air, inside = np.sqrt(k * k - along + 0j), np.sqrt(k * k * soft / light - along + 0j)
        depth = SIZE[0] - DEPTH
        flow, pressure = -air * np.sin(air * depth), np.cos(air * depth)
        if cloth is not None:
            pressure += cloth / AIR.impedance * flow / (1j * k)
        inner = light * inside * np.sin(inside * DEPTH)
        return pressure * inner - np.cos(inside * DEPTH) * flow

    k = complex(k)
    for _ in range(40):
        slope = (mismatch(k + 1e-6) - mismatch(k - 1e-6)) / 2e-6
        step = mismatch(k) / slope
        k -= step
        if abs(step) < 1e-10:
            break
    return k


def corner():
    """A square trap 0.4 m wide in an upright corner of a box, and one lying on the floor."""
    size = np.array([2.4, 3.2, 2.0])
    bodies = [((0, 0, 0), (0.4, 0.4, 2.0)), ((1.6, 1.6, 0), (2.4, 3.2, 0.4))]
    return reduce(box_elements(size, (6, 8, 5), bodies), SPEED, 200.0, SOURCE)


def traps_off_db(reduced, cloth):
    """(4, places) with both traps filled, and without, at 40, 90, 140 and 190 Hz, walls of 0.02."""
    f = np.arange(20.0, 201.0, 2.0)
    fillings = [filling(0, 10000.0, f, cloth), filling(1, 5000.0, f)]
    beta = np.full((6, len(f)), 0.02 + 0j)
    treated = treat(reduced, beta, f, fillings)
    places = np.array([[2.0, 2.8, 1.5], [1.2, 1.5, 1.0], [0.5, 0.5, 0.2], [2.3, 0.1, 0.1]])
    observe = reduced.elements.at(places)
    elements = treated.reduced.elements
    plan = dissection(elements.pattern, elements.nodes)
    found, exact = treated.response(observe)[0], []
    for number in (10, 35, 60, 85):
        k = 2 * np.pi * f[number] / SPEED
        full = elements.stiffness - k * k * elements.mass
        full = full + 0.02j * k * sum(elements.surfaces)
        for term in terms_of(elements, fillings):
            full = full + (1j * k) ** term.power * term.coefficients[number] * term.matrix
        with one_thread():
            factor = Factor(csc_array(full), plan)
            solved = factor.solve(treated.reduced.loads)[: observe.shape[1], 0]
        assert factor.residual < 1e-8
        exact.append(observe @ solved)
    bare = treat(reduced, beta, f).response(observe)[0]
    return [20 * np.log10(np.abs(one[:, [10, 35, 60, 85]].T / exact)) for one in (found, bare)]


@pytest.fixture(scope="module", name="corner")
def made_corner():
    return corner()


@pytest.mark.slow
@pytest.mark.parametrize("cloth", [None, 200.0])
def test_reduced_against_all_unknowns(corner, cloth):
    """0.1 dB rms at four places; bodies of air would be off by more than 1 dB."""
    off, bare = traps_off_db(corner, cloth)
    assert np.sqrt(np.mean(off**2)) < 0.1
    assert np.sqrt(np.mean(bare**2)) > 1.0


def test_bodies_absorb_and_give_nothing(corner):
    """Power of the source equals what bodies and cloth take; each takes some at every frequency."""
    f = np.arange(30.0, 201.0, 10.0)
    fillings = [filling(0, 10000.0, f, 200.0), filling(1, 5000.0, f)]
    treated = treat(corner, hard(f), f, fillings)
    solved = treated.solutions(np.arange(len(f)))[:, :, 0]
    weights = treated.weights_at(treated.wavenumbers)
    squares = np.einsum("fi,gij,fj->gf", solved.conj(), treated.groups, solved)
    taken = (weights.imag * squares.real).reshape(len(weights), -1)
    assert (taken >= -1e-12 * taken.sum(axis=0)).all()
    given = -(solved @ treated.loads[:, 0]).imag
    assert taken.sum(axis=0) == pytest.approx(given, rel=1e-8)


def test_a_body_of_air_changes_nothing(corner):
    """Filled with air and uncovered, the room is as it was: both are reduced to 0.3 dB."""
    f = np.arange(20.0, 201.0, 5.0)
    one = np.ones(len(f), complex)
    beta = np.full((6, len(f)), 0.05 + 0j)
    places = np.array([[2.0, 2.8, 1.5], [1.2, 1.5, 1.0]])
    bare = treat(corner, beta, f).response(places)
    filled = treat(corner, beta, f, [Filling(0, one, one)]).response(places)
    assert np.abs(20 * np.log10(np.abs(filled / bare))).max() < 0.3


def test_what_makes_sound_is_refused():
    one = np.ones(2, complex)
    with pytest.raises(ValueError, match="fills body 0 makes sound"):
        Filling(0, one - 0.1j, one)
    with pytest.raises(ValueError, match="makes sound"):
        Filling(0, one, one + 0.1j)
    with pytest.raises(ValueError, match="makes sound"):
        Filling(0, one, one, -one)
