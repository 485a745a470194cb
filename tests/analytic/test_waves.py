"""The elements, the modes and the reduced room against closed forms."""

import numpy as np
import pytest

from raysim.air import Climate
from raysim.surfaces.grammar import parse_layers
from raysim.waves.damped import damped_modes
from raysim.waves.modes import rigid_modes
from raysim.waves.reduced import reduce
from raysim.waves.treated import treat
from tests.plain.box_waves import pressure
from tests.plain.structured import box_elements

SPEED = 343.2
SIZE = np.array([2.1, 3.0, 1.72])
SOURCE = np.array([0.4, 0.6, 0.8])
RECEIVERS = np.array([[1.6, 2.3, 0.8], [1.0, 1.4, 0.8], [2.07, 2.93, 0.07], [1.5, 1.0, 1.1]])
TO_HZ = 250.0


def box_modes(size, speed, below_hz):
    """Frequencies of a rigid box, rising, without zero."""
    numbers = np.indices((30, 30, 30)).reshape(3, -1).T
    f = speed / 2 * np.sqrt(((numbers / np.asarray(size)) ** 2).sum(axis=1))
    return np.sort(f[(f > 0) & (f <= below_hz)])


def rigid_frequencies(elements, speed, below_hz):
    k = 2 * np.pi * below_hz / speed
    squared = rigid_modes(elements, k).squared
    return np.sqrt(squared[1:]) * speed / (2 * np.pi)


@pytest.fixture(scope="module")
def box():
    """The box in cells of about 0.3 m, reduced to 250 Hz."""
    return reduce(box_elements(SIZE, (7, 9, 6)), SPEED, TO_HZ, SOURCE[None])


def test_modes_of_a_rigid_box(box):
    """All of them, none more, within 0.1 %."""
    exact = box_modes(SIZE, SPEED, TO_HZ)
    found = box.mode_frequencies_hz[1:]
    assert len(exact) == (found <= TO_HZ * 1.0005).sum()
    assert np.abs(found[: len(exact)] / exact - 1).max() < 1e-3


def test_error_of_modes_falls_with_the_sixth_power():
    """Order 3 converges with h^6 (Strang and Fix 1973, chapter 6): slope 6 within 0.7."""
    exact = box_modes((1.7, 1.3, 1.1), SPEED, 200.0)
    errors = []
    for cells in (2, 3, 4):
        found = rigid_frequencies(box_elements((1.7, 1.3, 1.1), (cells,) * 3), SPEED, 230.0)
        errors.append(np.mean(np.abs(found[: len(exact)] / exact - 1)))
    slope = np.polyfit(np.log([2, 3, 4]), np.log(errors), 1)[0]
    assert slope == pytest.approx(-6, abs=0.7)


@pytest.mark.parametrize("beta", [0.02, 0.1, 0.1 + 0.1j])
def test_response_of_a_box(box, beta):
    """0.5 dB rms over 20 to 250 Hz and four receivers, one in a corner.

    The worst is within 1.5 dB where the level is less than 15 dB below the mean.
    """
    frequencies = np.arange(20.0, TO_HZ + 1, 5.0)
    treated = treat(box, np.full((6, len(frequencies)), beta, complex), frequencies)
    found = treated.response(RECEIVERS)[0].T
    exact = np.array(
        [[pressure(SIZE, SOURCE, r, f, beta, SPEED) for r in RECEIVERS] for f in frequencies]
    )
    off = 20 * np.log10(np.abs(found / exact))
    level = 20 * np.log10(np.abs(exact))
    shallow = level > 10 * np.log10(np.mean(np.abs(exact) ** 2, axis=0)) - 15
    assert np.sqrt(np.mean(off**2)) < 0.5
    assert np.abs(off[shallow]).max() < 1.5
    assert np.abs(np.angle(found / exact))[shallow].max() < 0.2


def test_tube_with_a_porous_end():
    """A square tube 0.3 m wide with 100 mm of 10 kPa s/m2 at its end: plane waves.

    Closed form of transmission lines; a source that fills the cross-section isn't at hand, so the
    ratio of pressures at two places beyond the source is compared, which needs no source.
    """
    length, frequencies = 3.0, np.arange(40.0, 301.0, 20.0)
    layers = parse_layers(["porous 100mm 10000"], "here").for_low_frequency()
    beta = layers.surface_admittance(frequencies, [1.0], Climate())[:, 0]
    source, places = np.array([[0.1, 0.15, 0.15]]), np.array([[1.4, 0.15, 0.15], [2.5, 0.1, 0.2]])
    reduced = reduce(box_elements((length, 0.3, 0.3), (12, 1, 1)), SPEED, 300.0, source)
    admittances = np.zeros((6, len(frequencies)), complex)
    admittances[1] = beta
    found = treat(reduced, admittances, frequencies).response(places)[0]
    # p is cosine and sine of the distance to the end.
    k = 2 * np.pi * frequencies / SPEED
    left = length - places[:, 0][:, None]
    exact = np.cos(k * left) + 1j * beta * np.sin(k * left)
    off = 20 * np.log10(np.abs(found[1] / found[0] / (exact[1] / exact[0])))
    assert np.abs(off).max() < 0.15


def test_modes_with_one_complex_wall():
    """tan(q L) = j k beta / q on one wall of a box of 60 m3: frequency 0.3 %, decay 3 %.

    Morse and Ingard, Theoretical Acoustics, chapter 9. Roots along y and z are those of rigid
    walls. One source doesn't tell of all modes: without the corrections of each mode's own
    residual decay times are off by more than 10 %.
    """
    size, to_hz = np.array([4.1, 5.4, 2.7]), 160.0
    room = reduce(box_elements(size, (6, 8, 4)), SPEED, to_hz, SOURCE[None])
    frequencies = np.arange(20.0, to_hz + 1)
    beta = 0.08 + 0.15j * frequencies / 100
    admittances = np.zeros((6, len(frequencies)), complex)
    admittances[1] = beta
    modes = damped_modes(treat(room, admittances, frequencies))
    assert len(modes.wavenumbers) > 40
    numbers = np.indices((1, 12, 8)).reshape(3, -1).T[:, 1:]
    rest = ((numbers * np.pi / size[1:]) ** 2).sum(axis=1)
    for k in modes.wavenumbers[modes.frequencies_hz < 150]:
        roots = (one_wall(k, r, frequencies, beta, size[0]) for r in rest)
        exact = min(roots, key=lambda e: abs(e - k))
        assert k.real == pytest.approx(exact.real, rel=3e-3)
        assert k.imag == pytest.approx(exact.imag, rel=3e-2)


def one_wall(k, rest, frequencies, beta, length):
    """Complex wavenumber near k of the mode whose squared wavenumber across is `rest`."""
    q = np.sqrt(complex(k) ** 2 - rest)
    for _ in range(60):
        f = k.real * SPEED / (2 * np.pi)
        a = (
            1j
            * k
            * (np.interp(f, frequencies, beta.real) + 1j * np.interp(f, frequencies, beta.imag))
        )
        h = q * length
        value = q * np.sin(h) - a * np.cos(h)
        slope = np.sin(h) + h * np.cos(h) + a * length * np.sin(h)
        q = q - value / slope
        k = np.sqrt(q**2 + rest)
        if not np.isfinite(k):
            return complex(np.inf)
    return k


def test_what_a_source_gives_is_absorbed(box):
    """Power of the source equals that into the walls, k Re(beta) |p|^2 summed over them."""
    frequencies = np.arange(50.0, 251.0, 50.0)
    beta = 0.1 + 0.2j
    treated = treat(box, np.full((6, len(frequencies)), beta), frequencies)
    load = treated.loads[:, 0]
    solved = treated.solutions(np.arange(len(frequencies)))[:, :, 0]
    for f, p in zip(frequencies, solved, strict=True):
        wall = treated.groups.sum(axis=0)
        taken = 2 * np.pi * f / SPEED * beta.real * (p.conj() @ wall @ p).real
        assert -(load @ p).imag == pytest.approx(taken, rel=1e-9)


def test_source_and_receiver_change_places():
    """Reciprocity, with different walls and a source that isn't in the basis of the other."""
    elements = box_elements(SIZE, (4, 6, 4))
    frequencies = np.arange(20.0, 161.0, 5.0)
    beta = np.linspace(0.02, 0.2, 6)[:, None] * np.ones(len(frequencies)) + 0.05j
    there, here = RECEIVERS[0], SOURCE
    ways = []
    for source, receiver in ((here, there), (there, here)):
        reduced = reduce(elements, SPEED, 160.0, source[None])
        ways.append(treat(reduced, beta, frequencies).response(receiver[None])[0, 0])
    assert np.abs(ways[0] - ways[1]).max() < 0.01 * np.sqrt(np.mean(np.abs(ways[0]) ** 2))


def test_loss_of_light_damping(box):
    """T = 6.91/delta, delta = (c/2) beta sum(eps A)/V for small real beta (first order)."""
    frequencies = np.arange(20.0, TO_HZ + 1)
    modes = damped_modes(treat(box, np.full((6, len(frequencies)), 0.002 + 0j), frequencies))
    numbers = np.indices((8, 8, 8)).reshape(3, -1).T[1:]
    f = SPEED / 2 * np.sqrt(((numbers / SIZE) ** 2).sum(axis=1))
    areas = SIZE.prod() / SIZE * 2
    delta = SPEED / 2 * 0.002 * ((np.where(numbers > 0, 2, 1) * areas).sum(axis=1)) / SIZE.prod()
    order = np.argsort(f)[:10]
    assert modes.decay_times_s[:10] == pytest.approx(3 * np.log(10) / delta[order], rel=5e-3)


def test_reference_root_is_a_root():
    """Negative control of the plain series: with rigid walls it has the box's poles."""
    near = SPEED / (2 * SIZE[1])
    values = [abs(pressure(SIZE, SOURCE, RECEIVERS[0], f, 1e-4, SPEED)) for f in (near, near + 5.0)]
    assert values[0] > 20 * values[1]
