"""Sizes that can only be slips, and what is said of others outside the stated range."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from raysim.errors import SceneError
from raysim.scene.read import load_scene
from raysim.scene.schema import RoomSection
from raysim.scene.sizes import STATED_RANGE_M3, extent_of, refuse_odd_size

PLACES = """
[sources.a]
position = [0.3, 0.4, 0.3]
[receivers.b]
position = [0.4, 0.6, 0.3]
"""


def loaded(folder, room):
    path = folder / "room.toml"
    path.write_text(f"[room]\n{room}\n{PLACES}", encoding="utf-8")
    return load_scene(path)


@pytest.mark.parametrize(
    ("room", "said"),
    [
        (
            "size = [53, 3.6, 2.5]",
            r"line 2: room\.size: the room would be 53 x 3\.6 x 2\.5 m; 53 m is no length of a "
            r"small listening room \(0\.8 to 20 m\); did you mean 5\.3\? write that, or write "
            r"unusual_size = true in \[room\] if that is meant$",
        ),
        ("size = [530, 3.6, 2.5]", '530 m is no length of .*; did you mean "530cm"\\? write that$'),
        ("size = [5.3, 3.6, 9]", 'no height of .* \\(1.5 to 8 m\\); did you mean "9ft"\\?'),
        ("size = [5.3, 3.6, 0.25]", "0.25 m is no height .* did you mean 2.5\\? write that$"),
        ("size = [20, 15, 4]", "at most 500 m3; correct the lengths, or write unusual_size"),
        ("outline = [[0, 0], [41, 0], [41, 4], [0, 4]]\nheight = 2.5", "room.outline: .* 4.1"),
        ("outline = [[0, 0], [4, 0], [4, 4], [0, 4]]\nheight = 25", "line 3: room.height: .* 2.5"),
        (
            "outline = [[0, 0], [4, 0], [0, 4]]\nceiling = [[0, 0, 24], [4, 0, 20], [0, 4, 20]]",
            "line 3: room.ceiling: .* 2.4",
        ),
    ],
)
def test_a_slip_is_refused_with_what_was_meant(tmp_path, room, said):
    with pytest.raises(SceneError, match=said):
        loaded(tmp_path, room)


side = st.floats(2.1, 7.9)


@given(st.tuples(side, side, st.floats(1.9, 3.5)), st.integers(0, 2), st.booleans())
def test_a_lost_decimal_point_is_refused(size, odd, is_large):
    """Every side of a room within the stated range; 7.9 m typed as 0.79, 2.1 m as 21 at least."""
    refuse_odd_size(extent_of(RoomSection(size=list(size))), RoomSection(size=list(size)))
    typed = [m * (10.0 if is_large else 0.1) if k == odd else m for k, m in enumerate(size)]
    section = RoomSection(size=typed)
    with pytest.raises(SceneError, match="did you mean"):
        refuse_odd_size(extent_of(section), section)


def test_who_means_it_is_computed_with_a_doubt(tmp_path):
    scene = loaded(tmp_path, "size = [53, 3.6, 2.5]\nunusual_size = true")
    [doubt] = scene.warnings
    assert doubt.startswith("the room has 477.0 m3, above the stated range of 20 to 150 m3")
    assert doubt.endswith("correct room.size if the room is smaller")
    with pytest.raises(SceneError, match="61 m is no length"):
        loaded(tmp_path, "size = [61, 3.6, 2.5]\nunusual_size = true")


@pytest.mark.parametrize("volume", STATED_RANGE_M3)
def test_the_stated_range_has_no_doubt_at_its_ends(tmp_path, volume):
    def doubts(part):
        scene = loaded(tmp_path, f"size = [{part * volume / (2.3 * 4.4)}, 4.4, 2.3]")
        return [one for one in scene.warnings if "stated range" in one]

    inside, outside = (1.001, 0.99) if volume == STATED_RANGE_M3[0] else (0.999, 1.01)
    assert not doubts(inside)
    assert len(doubts(outside)) == 1
