"""The result file: what it refuses, how it is written, and that its description is complete."""

import errno
import hashlib
import json
import os
import re
from pathlib import Path

import h5py
import numpy as np
import pytest

from raysim import quantities
from raysim.errors import ResultError
from raysim.results.layout import FORMAT_VERSION
from raysim.results.store import load_result, save
from tests.results_made import exponential_result

LAYOUT = {2: "84877d713f9407f3"}
DESCRIPTION = Path(__file__).parents[2] / "docs" / "formats" / "result.md"


@pytest.fixture(scope="module")
def result():
    return exponential_result(bass=True, batches=4, duration_s=0.3)


@pytest.fixture
def written(result, tmp_path):
    path = tmp_path / "room.h5"
    save(
        result,
        path,
        quantities.evaluate_all(result),
        quantities.check_all(result),
        quantities.joined_response(result),
    )
    return path


def test_every_dataset_is_described_and_every_described_one_there(written):
    """Name, axes and units of docs/formats/result.md against a file just written."""
    rows = re.findall(
        r"^\| `(/(?!map)[^`]+)` \| ([^|]*) \| ([^|]*) \|",
        DESCRIPTION.read_text("utf-8"),
        re.MULTILINE,
    )
    described = {name: (axes.strip(), unit.strip()) for name, axes, unit in rows}
    found = {}

    def note(name, item):
        if isinstance(item, h5py.Dataset):
            axes = [
                item.name.split("/")[-1] if item.is_scale else axis[0].name.split("/")[-1]
                for axis in item.dims
            ]
            found[f"/{name}"] = (", ".join(axes), item.attrs["units"])
            assert item.attrs["long_name"]

    with h5py.File(written) as file:
        file.visititems(note)
    assert found == described


def test_every_attribute_is_described(written):
    named = set(re.findall(r"^\| `([a-z][^`/]*)` \|", DESCRIPTION.read_text("utf-8"), re.MULTILINE))
    with h5py.File(written) as file:
        assert set(file.attrs) | set(file["scene"].attrs) == named


def test_a_changed_layout_has_a_new_version(written):
    """What is described is what is there (above); if this fails, raise FORMAT_VERSION."""
    text = DESCRIPTION.read_text("utf-8")
    rows = re.findall(r"^\| `(/[^`]+)` \| ([^|]*) \| ([^|]*) \|", text, re.MULTILINE)
    named = sorted([part.strip() for part in row] for row in rows)
    attributes = sorted(re.findall(r"^\| `([a-z][^`/]*)` \|", text, re.MULTILINE))
    with h5py.File(written) as file:
        settings = sorted(json.loads(file.attrs["settings"]))
    layout = json.dumps([named, attributes, settings], ensure_ascii=False)
    digest = hashlib.sha256(layout.encode()).hexdigest()[:16]
    assert {FORMAT_VERSION: digest} == LAYOUT


@pytest.mark.parametrize("paths", [True, False])
@pytest.mark.parametrize("group", ["decay", "early", "checks", "scene"])
def test_opens_in_xarray(result, tmp_path, group, paths):
    """Also without a single path; the same as to_xarray gives without a file."""
    xarray = pytest.importorskip("xarray")
    pytest.importorskip("h5netcdf")
    result = result if paths else exponential_result(batches=4, duration_s=0.3, paths=False)
    save(result, tmp_path / "room.h5")
    with xarray.open_dataset(tmp_path / "room.h5", engine="h5netcdf", group=group) as opened:
        expected = result.to_xarray(group)
        assert set(opened.variables) == set(expected.variables)
        for name, variable in opened.variables.items():
            np.testing.assert_array_equal(variable.values, expected[name].values)
            assert variable.dims == expected[name].dims
            assert variable.attrs["long_name"] == expected[name].attrs["long_name"]
            assert variable.attrs["units"] == expected[name].attrs["units"]


def test_quantities_in_the_file_are_those_evaluated(result, written):
    t20 = quantities.reverberation_time(result)
    with h5py.File(written) as file:
        np.testing.assert_array_equal(file["decay/T20"][...], t20.value)
        np.testing.assert_array_equal(file["decay/T20_standard_error"][...], t20.standard_error)
        np.testing.assert_array_equal(file["decay/T20_reason"].asstr()[...], t20.reason)


def test_same_result_same_bytes(result, tmp_path):
    save(result, tmp_path / "a.h5")
    save(result, tmp_path / "b.h5")
    assert (tmp_path / "a.h5").read_bytes() == (tmp_path / "b.h5").read_bytes()


def truncated(data):
    return data[: len(data) // 2]


def of_another_kind(path):
    with h5py.File(path, "a") as file:
        file.attrs["kind"] = "something else"


def of_format(version):
    def spoil(path):
        with h5py.File(path, "a") as file:
            file.attrs["format_version"] = version

    return spoil


def without_energies(path):
    with h5py.File(path, "a") as file:
        del file["decay/energy_batches"]


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda path: path.unlink(), "no such file; give a result that 'raysim run' wrote"),
        (lambda path: path.write_bytes(b""), "not a result file"),
        (lambda path: path.write_bytes(b"solid room\n" * 99), "not a result file"),
        (lambda path: path.write_bytes(truncated(path.read_bytes())), "damaged or cut short"),
        (of_another_kind, "an HDF5 file of another kind"),
        (of_format(99), "format version 99, written by raysim 0.1.0; this raysim reads version"),
        (of_format(99), ": update raysim"),
        (of_format(1), "format version 1, written by raysim 0.1.0; this raysim reads version"),
        (of_format(1), ": run its scene again"),
        (without_energies, "damaged or cut short"),
    ],
)
def test_refuses_what_is_no_result(written, spoil, sentence):
    spoil(written)
    with pytest.raises(ResultError) as caught:
        load_result(written)
    message = str(caught.value)
    assert message.startswith(f"{written}: ")
    assert sentence in message
    assert "\n" not in message


def test_refuses_a_folder(tmp_path):
    with pytest.raises(ResultError, match="it is a folder"):
        load_result(tmp_path)


def failing(number):
    def fail(*_):
        raise OSError(number, os.strerror(number))

    return fail


@pytest.mark.parametrize(
    ("call", "number", "sentence"),
    [
        ("fsync", errno.ENOSPC, "the disk is full; free some space or write to another disk"),
        ("replace", errno.EACCES, "no permission to write there; choose another folder"),
        ("open", errno.EROFS, "the disk is read-only; choose another folder"),
    ],
)
def test_failed_save_leaves_the_old_file_and_nothing_else(
    result, written, monkeypatch, call, number, sentence
):
    before = written.read_bytes()
    monkeypatch.setattr(f"raysim.files.os.{call}", failing(number))
    with pytest.raises(ResultError) as caught:
        save(result, written)
    monkeypatch.undo()
    assert str(caught.value) == f"{written}: cannot be written: {sentence}"
    assert written.read_bytes() == before
    assert os.listdir(written.parent) == [written.name]


def test_interrupted_save_leaves_nothing(result, tmp_path, monkeypatch):
    def interrupt(_):
        raise KeyboardInterrupt

    monkeypatch.setattr("raysim.files.os.fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        save(result, tmp_path / "room.h5")
    assert os.listdir(tmp_path) == []


def test_save_into_no_folder(result, tmp_path):
    with pytest.raises(ResultError, match="the folder does not exist; create it"):
        save(result, tmp_path / "absent" / "room.h5")
    with pytest.raises(ResultError, match="it is a folder; give a file name"):
        save(result, tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(ResultError, match="what should be its folder is a file"):
        save(result, tmp_path / "file" / "room.h5")
