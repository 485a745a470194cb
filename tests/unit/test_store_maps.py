"""Maps in the result file: back bit by bit, and as docs/formats/result.md says."""

import re
from pathlib import Path

import h5py
import numpy as np
import pytest

from raysim.results.store import load_result, save
from raysim.settings import Settings
from raysim.solvers.run import run
from tests.rooms import shoebox

DESCRIPTION = Path(__file__).parents[2] / "docs" / "formats" / "result.md"


@pytest.fixture(scope="module")
def mapped():
    return run(shoebox(), Settings(rays=8192, duration_s=0.1, maps=True))


def test_maps_come_back_bit_by_bit(mapped, tmp_path):
    save(mapped, tmp_path / "room.h5")
    loaded = load_result(tmp_path / "room.h5").maps
    assert loaded.rays == mapped.maps.rays
    for name in ("first", "columns", "rows", "side_m", "area_m2", "books"):
        np.testing.assert_array_equal(getattr(loaded, name), getattr(mapped.maps, name))
    for name in ("incident", "arriving", "slope"):
        for one, other in zip(getattr(loaded, name), getattr(mapped.maps, name), strict=True):
            np.testing.assert_array_equal(one, other)


def test_maps_are_laid_out_as_described(mapped, tmp_path):
    rows = re.findall(
        r"^\| `(/map[^`]+)` \| ([^|]*) \| ([^|]*) \|", DESCRIPTION.read_text("utf-8"), re.MULTILINE
    )
    described = {name: (axes.strip(), unit.strip()) for name, axes, unit in rows}
    save(mapped, tmp_path / "room.h5")
    found = {}
    with h5py.File(tmp_path / "room.h5") as file:
        assert set(file["maps"]) == {s.name for s in mapped.scene.surfaces}
        for group, name in ((file["map_grid"], "map_grid"), (file["maps/floor"], "maps/SURFACE")):
            for key, item in group.items():
                axes = [key if item.is_scale else axis[0].name.split("/")[-1] for axis in item.dims]
                found[f"/{name}/{key}"] = (", ".join(axes), item.attrs["units"])
    assert found == described


def test_area_of_the_patches_is_that_of_the_room(mapped):
    assert mapped.maps.area_m2.sum() == pytest.approx(mapped.scene.area, rel=1e-12)
