"""Files that are none, or of another kind: one sentence each, exit code 2, nothing written."""

import pytest

from tests.cli.conftest import SCENE, assert_sentences, listing


@pytest.mark.parametrize(
    "content",
    [b"", b"not a result", bytes(range(256)) * 64],
    ids=["empty", "text", "garbage"],
)
def test_result_that_is_none(raysim, folder, content):
    (folder / "room.h5").write_bytes(content)
    outcome = raysim("report", "room.h5")
    assert outcome.code == 2
    assert_sentences(outcome, ["room.h5"])
    assert listing(folder) == ["room.h5"]


@pytest.mark.parametrize(
    ("name", "text", "command", "said"),
    [
        ("a.toml", 'scene = "room.toml"\n[factors.f]\n', ["check"], "study file, not a scene file"),
        ("a.toml", "[items.x]\n", ["run"], "catalogue, not a scene file"),
        ("a.toml", "[room]\nsize = [3, 4, 2]\n", ["study"], "scene file, not a study file"),
    ],
)
def test_a_file_of_another_kind_is_called_that_in_one_sentence(
    raysim, folder, name, text, command, said
):
    (folder / name).write_text(text, encoding="utf-8")
    outcome = raysim(*command, name)
    assert outcome.code == 2
    assert outcome.err.splitlines() == [f"raysim: a.toml: it is a {said}; name the {said[-10:]}"]
    assert listing(folder) == [name]


def test_a_folder_in_place_of_a_result(raysim, folder):
    outcome = raysim("report", ".")
    assert outcome.code == 2
    assert_sentences(outcome, ["it is a folder", "room.h5"])
    assert listing(folder) == []


def test_a_tone_is_named_where_there_is_no_bass(raysim, folder, computed):
    (folder / "room.h5").write_bytes(computed.read_bytes())
    outcome = raysim("report", "room.h5", "--tone", "900")
    assert outcome.code == 2
    assert_sentences(outcome, ["tone", "900 Hz", "no bass", "--bass"])
    assert listing(folder) == ["room.h5"]


def test_result_cut_short(raysim, folder, computed):
    content = computed.read_bytes()
    (folder / "room.h5").write_bytes(content[: len(content) // 2])
    outcome = raysim("report", "room.h5")
    assert outcome.code == 2
    assert_sentences(outcome, ["room.h5"])


def test_result_of_another_scene_is_not_extended(raysim, folder, computed):
    (folder / "room.toml").write_text(SCENE.replace("4.2", "4.3", 1), encoding="utf-8")
    outcome = raysim("run", "room.toml", "--extend", computed, "--rays", "64", "--no-bass")
    assert outcome.code == 2
    assert "another scene" in outcome.err
    assert listing(folder) == ["room.toml"]
