"""Scenes to begin with: they load as written, and nothing is overwritten."""

import numpy as np
import pytest

from raysim.errors import SceneError
from raysim.scene.read import load_scene
from raysim.scene.starter import write_starter


def test_starter_passes_as_written_and_is_never_overwritten(tmp_path):
    folder = tmp_path / "new" / "room"
    written = write_starter(folder, (4.191, 3.4036, 2.3876), survey=True)
    assert [p.name for p in written] == ["scene.toml", "scene_catalogue.toml", "survey.md"]
    scene = load_scene(written[0])
    assert scene.volume == pytest.approx(4.191 * 3.4036 * 2.3876 - 1.5 * 0.69 * 0.03, rel=1e-3)
    assert scene.warnings == ()
    left, right, seat = (p.position for p in (*scene.sources, *scene.receivers))
    sides = [np.linalg.norm(a - b) for a, b in ((left, right), (left, seat), (right, seat))]
    # places are rounded to centimetres
    assert max(sides) - min(sides) < 0.02
    before = written[0].read_bytes()
    with pytest.raises(SceneError, match=r"scene\.toml: it exists already; nothing was written"):
        write_starter(folder, (5, 4, 3))
    assert written[0].read_bytes() == before


@pytest.mark.parametrize("size", [(1.5, 1.5, 1.5), (1.9, 1.6, 2.3), (3, 6, 2.15), (12, 8, 4)])
def test_starters_of_odd_sizes_load(tmp_path, size):
    assert load_scene(write_starter(tmp_path, size)[0]).volume > 0


def test_starter_without_size_is_an_example_and_odd_sizes_are_refused(tmp_path):
    assert "replace the numbers" in load_scene(write_starter(tmp_path)[0]).title
    with pytest.raises(SceneError, match=r"outside 1\.5 to 30 m"):
        write_starter(tmp_path / "b", (4200, 3400, 2400))
    with pytest.raises(SceneError, match="its folder is a file"):
        write_starter(tmp_path / "scene.toml" / "b")
