"""What an owner reads of the bass, on made-up results whose answers are known."""

import dataclasses

import numpy as np
import pytest

from raysim import quantities
from raysim.loudspeakers.directivity import SHAPE, Directivity
from raysim.quantities.bass_decay import SAMPLES, band_envelope
from raysim.quantities.bass_gain import closed_box_energy
from raysim.quantities.bass_modes import mode_in_words
from raysim.quantities.playback import playbacks_of
from raysim.surfaces.grammar import parse_layers
from raysim.theory.interference import level_of_two_db, notch_hz
from raysim.theory.modal_decay import MUSIC_S, TEST_SOUNDS_S, judge_decay, threshold_s
from tests.report_made import result as bedroom
from tests.report_made import scene as bedroom_scene
from tests.results_made import exponential_result, made_bass

SPEED = 343.2


def hard(scene, construction=None):
    """All surfaces reflect all, or have layers."""
    bands = len(scene.bands_hz)
    return dataclasses.replace(
        scene,
        materials=tuple(
            dataclasses.replace(m, absorption=np.zeros(bands), construction=construction)
            for m in scene.materials
        ),
    )


def with_bass(frequency, response, **changes):
    """A result of one variant, source and receiver whose zone has this response everywhere."""
    made = exponential_result(bass=True, batches=4, duration_s=0.3, sources=1)
    zone = np.broadcast_to(response, (1, 1, 1, 9, len(frequency)))
    bass = dataclasses.replace(made_bass(1, 1, 1), frequency_hz=frequency, zone=zone, **changes)
    return dataclasses.replace(made, bass=bass)


def test_two_paths_by_hand():
    """Straight before a wall at 0.6 m: 343.2 / 2.4 = 143 Hz; 1.2 and 3.6 m long: 1/3 of it."""
    assert notch_hz(1.2, SPEED) == pytest.approx(143.0)
    assert notch_hz(1.2, SPEED, np.pi / 2) == pytest.approx(214.5)
    low, high = level_of_two_db(1 / 3)
    assert low == pytest.approx(-3.522, abs=1e-3)
    assert high == pytest.approx(2.499, abs=1e-3)


def test_front_wall_notch_by_true_geometry():
    """Sources 0.6 m before the front wall, seat at 1.64 m: 153 Hz where the rule says 143 Hz."""
    result = bedroom(hard(bedroom_scene(desk=False)))
    notches = quantities.boundary_notches(result)
    [front] = [n for n in notches if (n.surface, n.source) == ("front", 0)]
    direct, reflected = np.hypot(0.6, 1.04), np.hypot(0.6, 2.24)
    speed = result.scene.climate.speed_of_sound
    assert front.distance_m == pytest.approx(0.6)
    assert front.path_difference_m == pytest.approx(reflected - direct)
    assert front.frequency_hz == pytest.approx(speed / 2 / (reflected - direct))
    assert front.frequency_hz == pytest.approx(153.4, abs=0.2)
    assert front.rule_hz == pytest.approx(143, abs=0.3)
    assert front.depth_db == pytest.approx(20 * np.log10(1 - direct / reflected))
    assert front.is_large
    assert np.isnan(front.tolerance_hz)


def test_a_notch_has_the_range_of_its_surface():
    """0.1 believed, 0 to 0.36: amplitudes of 1 / 0.9487 and 0.8 / 0.9487 of what is believed."""
    scene = hard(bedroom_scene(desk=False))
    materials = tuple(
        dataclasses.replace(
            m,
            absorption=m.absorption * 0 + 0.1,
            absorption_low=m.absorption * 0,
            absorption_high=m.absorption * 0 + 0.36,
        )
        for m in scene.materials
    )
    notches = quantities.boundary_notches(bedroom(dataclasses.replace(scene, materials=materials)))
    [front] = [n for n in notches if (n.surface, n.source) == ("front", 0)]
    ratio = 1 - 10 ** (front.depth_db / 20)
    deepest, shallowest = (1 - ratio * kept / 0.9**0.5 for kept in (1.0, 0.8))
    ends = (20 * np.log10(deepest), 20 * np.log10(shallowest))
    assert front.depth_range_db == pytest.approx(ends, abs=1e-6)


def test_tape_moves_a_notch():
    """The front wall lies in the origin, the distance of the source to it counts twice or so."""
    scene = dataclasses.replace(hard(bedroom_scene(desk=False)), tolerance_m=0.01)
    [front] = [
        n
        for n in quantities.boundary_notches(bedroom(scene))
        if (n.surface, n.source) == ("front", 0)
    ]
    moved = np.hypot(0.6, 2.25) - np.hypot(0.6, 1.03)  # source 1 cm further off the wall
    change = front.frequency_hz * (moved / front.path_difference_m - 1)
    assert change < front.tolerance_hz < 2.5 * change


def test_porous_wall_moves_the_notch_up_and_fills_it():
    """Its reflection lags, so the opposite phase comes at another frequency, and less deep."""
    layers = parse_layers(["porous 200mm 10000"], "here")
    hard_walls, soft = (
        quantities.boundary_notches(bedroom(hard(bedroom_scene(desk=False), how)))
        for how in (None, layers)
    )
    at_front = [n for n in hard_walls if n.surface == "front"]
    assert at_front
    assert not [n for n in soft if n.surface == "front" and n.depth_db < -5]


def test_small_surfaces_are_marked():
    result = bedroom(hard(bedroom_scene()))
    desk = [n for n in quantities.boundary_notches(result) if n.surface == "desk"]
    speed = result.scene.climate.speed_of_sound
    for notch in desk:
        assert notch.is_large == (0.7 >= speed / notch.frequency_hz / 2)
    assert quantities.boundary_notches(dataclasses.replace(result, reflections=())) == ()


def test_levels_over_the_zone():
    """One corner twice as loud: 6.02 dB spread in every third."""
    made = exponential_result(bass=True, batches=4, duration_s=0.3)
    zone = made.bass.zone.copy()
    zone[..., 3, :] *= 2
    bass = dataclasses.replace(made.bass, zone=zone)
    levels = quantities.zone_levels(bass)
    assert levels.bands_hz == (25, 31.5, 40, 50)
    assert levels.level_db == pytest.approx(20 * np.log10(5))
    assert levels.spread_db == pytest.approx(20 * np.log10(2))
    seat, low, high = quantities.seat_levels_db(bass)
    assert (seat == low).all()
    assert high - low == pytest.approx(20 * np.log10(2))


def test_corners_against_room_and_middle():
    """Twice the pressure of the room, whose middle has half its energy: 6.02 and 9.03 dB."""
    made = exponential_result(bass=True, batches=4, duration_s=0.3)
    corners = quantities.corner_levels(made.bass)
    assert corners.over_room == pytest.approx(6.0206, abs=1e-3)
    assert corners.over_middle == pytest.approx(9.0309, abs=1e-3)
    field = made.bass.field
    filled = field.corner.copy()
    filled[:, :, 0] = np.nan
    filled[:, :, 1] *= 2
    bass = dataclasses.replace(made.bass, field=dataclasses.replace(field, corner=filled))
    corners = quantities.corner_levels(bass)
    assert corners.over_room == pytest.approx(12.0412, abs=1e-3)
    assert set(corners.loudest) == {"rear right, ceiling"}


def test_thresholds_are_those_published():
    for table in (TEST_SOUNDS_S, MUSIC_S):
        assert threshold_s(table[0], table) == pytest.approx(table[1])
    assert np.isnan(threshold_s([20, 300], TEST_SOUNDS_S)).all()
    assert judge_decay([125, 125, 125, 40, 20], [0.1, 0.25, 0.31, 1.0, 1.0]) == [
        "too short to be heard",
        "heard with test sounds only",
        "heard with music",
        "heard with test sounds; music was not tested here",
        "not tested at this frequency",
    ]


@pytest.mark.parametrize(
    ("sources", "receivers", "words"),
    [
        ((1.0, -1.0), (0.1,), "driven by L and R in opposite phase: hardly"),
        ((1.0, 0.9), (1.2,), "driven by L and R; heard at seat"),
        ((1.0, 0.1), (1.2,), "driven by L, hardly by R; heard at seat"),
        ((0.1, 0.0), (0.0,), "hardly driven: L and R on its quiet spots; hardly heard at seat; m"),
    ],
)
def test_modes_in_words(sources, receivers, words):
    made = exponential_result(bass=True, batches=4, duration_s=0.3)
    bass = dataclasses.replace(
        made.bass,
        mode_at_sources=np.array([sources] * 2),
        mode_at_receivers=np.array([receivers] * 2),
    )
    first, second = quantities.modes_of(made, bass)
    assert mode_in_words(first, ["L", "R"], ["seat"]).startswith(words)
    assert (first.verdict, first.is_sure) == ("too short to be heard", False)  # 0.86 s is heard
    assert first.shortest_s < 0.8 < first.longest_s
    assert first.tolerance_hz == pytest.approx(0.0336)
    assert np.isinf(second.decay_time_s)


def test_tape_opens_the_frequency_of_a_mode():
    made = exponential_result(bass=True, batches=4, duration_s=0.3)
    made = dataclasses.replace(made, scene=dataclasses.replace(made.scene, tolerance_m=0.02))
    along, other = quantities.modes_of(made, made.bass)
    assert along.tolerance_hz == pytest.approx(33.6 * np.hypot(0.001, 0.02 / 5.1))
    assert other.tolerance_hz == pytest.approx(44.0 * np.hypot(0.001, 0.02 / 2.6))


@pytest.mark.parametrize("time_s", [0.3, 0.6])
def test_decay_of_one_mode_a_band(time_s):
    """Modes at 63 and 126 Hz of a known decay: within 5 %; half the time would show."""
    f = np.arange(20.0, 301.0)
    rate = 3 * np.log(10) / time_s
    response = sum(1 / (rate + 2j * np.pi * (f - at)) for at in (63.0, 126.0))
    delay = np.linalg.norm(np.subtract((1.2, 0.9, 1.2), (1.95, 2.2, 1.2))) / SPEED
    decay = quantities.bass_decay(*_pair(with_bass(f, response * np.exp(-2j * np.pi * f * delay))))
    assert decay.bands_hz == (63, 125)
    assert decay.time_s[0, 0, 0] == pytest.approx(time_s, rel=0.05)
    assert decay.spread_s[0, 0, 0] == pytest.approx(0, abs=1e-9)
    assert (decay.reason == "").all()
    result = with_bass(f, response * np.exp(-2j * np.pi * f * delay))
    mean = quantities.mean_bass_decay(result, 0)
    assert mean[63] == pytest.approx((decay.time_s[0, 0, 0, 0], 0), abs=1e-9)
    assert (decay.shorter < 1).all()
    assert (decay.longer > 1).all()


def _pair(result):
    return result, result.bass


def test_decay_that_is_the_filters_own_is_refused():
    f = np.arange(20.0, 301.0)
    decay = quantities.bass_decay(*_pair(with_bass(f, np.ones(len(f), complex))))
    assert np.isnan(decay.time_s).all()
    assert decay.reason[0, 0, 0, 0] == "below 0.25 s it is the band's filter that rings"
    assert band_envelope(f, np.ones(len(f)), 125.0).shape == (SAMPLES,)


def test_bands_that_were_not_computed_are_not_claimed():
    f = np.arange(20.0, 151.0)
    decay = quantities.bass_decay(*_pair(with_bass(f, np.ones(len(f), complex))))
    assert decay.bands_hz == (63,)


def test_a_flat_room_asks_for_the_largest_loudspeaker():
    f = np.arange(20.0, 201.0)
    gain = quantities.room_gain(with_bass(f, np.ones(len(f), complex)), 0, 0)
    assert gain.gain_db == pytest.approx(0, abs=1e-9)
    assert gain.largest_cut_off_hz == 20
    assert gain.lowest_mode_hz == 33.6


def test_room_gain_of_12_db_an_octave_below_50_hz():
    """It makes up for a closed box that falls as much: one of 40 Hz or so is the largest."""
    f = np.arange(20.0, 201.0)
    lifted = np.maximum(50 / f, 1.0) ** 2 + 0j
    gain = quantities.room_gain(with_bass(f, lifted), 0, 0)
    assert gain.gain_db[0] == pytest.approx(40 * np.log10(50 / 25.1), abs=0.4)
    assert 33 <= gain.largest_cut_off_hz <= 45
    assert gain.reaches_hz == 25
    assert closed_box_energy(np.array([40.0]), 40.0) == pytest.approx(0.5)
    flat = quantities.room_gain(with_bass(f, lifted), 0, 0, np.ones((1, 1, len(f)), complex))
    assert flat.largest_cut_off_hz == 20
    assert (
        quantities.room_gain(exponential_result(bass=True, batches=4, duration_s=0.3), 0, 0) is None
    )


def test_crossover_adds_to_a_flat_sum():
    """Both sides of a crossover in phase: an all-pass; 6 dB down each where they meet."""
    f = np.array([30.0, 80.0, 200.0])
    made = exponential_result(bass=True, batches=4, duration_s=0.3).scene
    sub = dataclasses.replace(_directed(made.sources[0], 80.0), name="sub")
    top = dataclasses.replace(made.sources[1], name="top", highpass_hz=80.0)
    *alone, together = playbacks_of(dataclasses.replace(made, sources=(sub, top)))
    assert [one.name for one in (*alone, together)] == ["sub", "top", "sub + top"]
    weights = together.weights(f)
    assert np.abs(weights.sum(axis=0)) == pytest.approx(1)
    assert np.abs(weights[:, 1]) == pytest.approx(0.5)
    assert (alone[0].weights(f) == [[1, 1, 1], [0, 0, 0]]).all()


def test_delay_and_polarity_of_sources_together():
    f = np.array([50.0])
    made = exponential_result(bass=True, batches=4, duration_s=0.3).scene
    late = dataclasses.replace(made.sources[1], delay_s=0.005, is_inverted=True, level_db=-6.0)
    weights = playbacks_of(dataclasses.replace(made, sources=(made.sources[0], late)))[-1].weights(
        f
    )
    assert weights[0, 0] == pytest.approx(1)
    assert weights[1, 0] == pytest.approx(-(10**-0.3) * np.exp(-0.5j * np.pi))


def _directed(source, lowpass_hz):
    return dataclasses.replace(
        source, directivity=Directivity(np.ones((*SHAPE, 6)), "made", lowpass_hz)
    )
