"""What the report tells a client to check: a mirror on the strongest reflections."""

import pytest

import raysim
from raysim.report.hand_checks import MOST_MIRRORS, hand_checks
from raysim.report.listed import list_reflections
from tests.report_made import result as made
from tests.rooms import shoebox


def test_strongest_single_reflections_come_with_their_place():
    result = made()
    said = hand_checks(result, list_reflections(result))
    assert len(said) == MOST_MIRRORS
    assert "“desk”" in said[0]
    assert "75 cm (29½ in) above the floor" in said[0]
    assert all("you see" in sentence for sentence in said)


def test_tones_need_the_bass():
    result = made()
    assert result.bass is None
    assert not any("Play" in sentence for sentence in hand_checks(result, []))


@pytest.mark.slow
def test_the_quiet_spot_of_the_first_mode_is_half_way():
    """cos(pi y / L) of a box is nil at L/2, for any material that is alike all round."""
    length = 2.6
    scene = shoebox(
        (length, 1.9, 2.1), absorption=0.1, sources=((0.5, 0.4, 0.9),), receivers=((0.8, 1.8, 1.2),)
    )
    result = raysim.run(scene, raysim.Settings(rays=32, bass=True, bass_to_hz=100, image_order=1))
    [sentence] = [s for s in hand_checks(result, []) if s.startswith("Play")]
    hertz = float(sentence.split()[1])
    assert hertz == pytest.approx(scene.climate.speed_of_sound / 2 / length, rel=0.02)
    metres = float(sentence.split("quietest ")[1].split()[0])
    assert metres == pytest.approx(length / 2, abs=0.1)
