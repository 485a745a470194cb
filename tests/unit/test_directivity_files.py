"""Directivity from CSV and AES69 files: right ones read, wrong ones refused in a sentence."""

from __future__ import annotations

import h5py
import numpy as np
import pytest

from raysim.errors import SceneError
from raysim.loudspeakers.directivity import AHEAD, AZIMUTHS_DEG, ELEVATIONS_DEG, directions, grid
from raysim.loudspeakers.sofa import read_sofa
from raysim.loudspeakers.table import read_table
from tests.published.reference_data import reference_file

BANDS = (125.0, 1000.0)
HEAD = "azimuth_deg,elevation_deg,level_125hz_db,level_1000hz_db,level_2000hz_db"


def shape_db(ways):
    """An invented loudspeaker that beams, more to its right than to its left, (n,) dB."""
    return -6 * (1 - ways[..., 0]) + 2 * ways[..., 1]


def rows(step=10.0):
    """Lines of a whole table by azimuth and elevation."""
    lines = []
    for elevation in np.arange(-90, 91, step):
        for azimuth in np.arange(0, 360, step) if abs(elevation) < 90 else [0.0]:
            level = shape_db(directions(np.array(azimuth), np.array(elevation)))
            lines.append(f"{azimuth:g},{elevation:g},0,{level:.4f},{2 * level:.4f}")
    return lines


@pytest.fixture
def write(tmp_path):
    def put(lines, head=HEAD):
        path = tmp_path / "invented.csv"
        path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
        return path

    return put


def test_table_is_read_at_its_angles_and_between(write):
    found = read_table(write(rows()), BANDS)
    assert found.energy.shape == (72, 37, 2)
    np.testing.assert_allclose(found.energy[..., 0], 1.0)
    level = 10 * np.log10(found.energy[::2, ::2, 1])
    np.testing.assert_allclose(level, shape_db(grid()[::2, ::2]), atol=1e-3)
    # Linear in triangles of 10 by 10 degrees: second derivative of the energy times (10 deg)^2/8,
    # both ways; the steepest dB slope here, 8 dB over a radian, gives at most 2.5 of the energy.
    np.testing.assert_allclose(
        found.energy[..., 1], 10 ** (shape_db(grid()) / 10), atol=2 * 2.5 * np.radians(10) ** 2 / 8
    )
    right, left = (list(AZIMUTHS_DEG).index(a) for a in (90.0, 270.0))
    assert found.energy[right, AHEAD[1], 1] > found.energy[left, AHEAD[1], 1]


def test_octave_columns_may_stand_in_any_order_and_more_than_asked(write):
    swapped = [",".join(np.array(line.split(","))[[0, 1, 4, 3, 2]]) for line in rows()]
    head = "Azimuth_deg, elevation_deg, level_2000hz_db, level_1000hz_db, level_125hz_db"
    one = read_table(write(rows()), BANDS).energy
    np.testing.assert_array_equal(read_table(write(swapped, head), BANDS).energy, one)


def without(text):
    return lambda lines: [line for line in lines if not line.startswith(text)]


def instead(text, new):
    return lambda lines: [new if line.startswith(text) else line for line in lines]


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda _: [], "it has no rows"),
        (lambda lines: [*lines, "20,10,0,0,0"], "azimuth 20, elevation 10 stands in line"),
        (lambda lines: [*lines, "-340,10,0,0,0"], "azimuth -340, elevation 10 stands in line"),
        (lambda lines: [*lines, "70,90,0,-9,0"], "rows of one direction"),
        (lambda lines: [x for x in lines if float(x.split(",")[1]) > -40], "no direction within"),
        (
            lambda lines: [x for x in lines if x.split(",")[1] == "0"],
            "36 directions don't surround",
        ),
        (without("0,0,"), "there is no row for azimuth 0, elevation 0"),
        (instead("0,0,", "0,0,0,3,0"), "level 3 dB on the axis; give every level re the axis"),
        (instead("20,10,", "20,10,0,nan,0"), "level_1000hz_db nan is outside -100 to 40"),
        (instead("20,10,", "20,10,0,loud,0"), "level_1000hz_db 'loud' is not a number"),
        (instead("20,10,", "20,10,0,-3,5,0"), "6 values for 5 columns"),
        (instead("20,10,", "20,100,0,0,0"), "elevation_deg 100 is outside -90 to 90"),
    ],
)
def test_wrong_rows_are_named(write, spoil, sentence):
    with pytest.raises(SceneError, match=r"invented\.csv.*" + sentence):
        read_table(write(spoil(rows())), BANDS)


@pytest.mark.parametrize(
    ("head", "sentence"),
    [
        ("angle,level", "it must begin with azimuth_deg, elevation_deg, level_125hz_db"),
        (HEAD.replace(",", ";"), "separate columns by commas"),
        (HEAD.replace("_1000hz", "_1100hz"), "column 'level_1100hz_db' is not an octave band"),
        (HEAD.replace("_2000hz", "_125hz"), "column 'level_125hz_db' stands twice"),
        (
            HEAD.replace("_1000hz", "_500hz"),
            "no column for 1000 Hz; the scene's bands are 125, 1000",
        ),
    ],
)
def test_wrong_heads_are_named(write, head, sentence):
    with pytest.raises(SceneError, match=r"invented\.csv line 1: .*" + sentence):
        read_table(write(rows(), head), BANDS)


def test_many_wrong_lines_are_counted(write):
    with pytest.raises(SceneError) as caught:
        read_table(write([f"{k},0,x,0,0" for k in range(30)]), BANDS)
    assert len(caught.value.complaints) == 6
    assert "25 more lines" in caught.value.complaints[-1]


def test_bytes_that_are_no_text(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"\xff\xfe\x00azimuth")
    with pytest.raises(SceneError, match="it is not UTF-8 text"):
        read_table(tmp_path / "a.csv", BANDS)
    with pytest.raises(SceneError, match="cannot be read"):
        read_table(tmp_path / "absent.csv", BANDS)


def write_sofa(path, convention="FreeFieldDirectivityTF", turned_deg=0.0, measurements=1, low=-90):
    """An AES69 file of the invented loudspeaker; `turned_deg`: SourceView's azimuth, leftwards."""
    azimuth, elevation = (
        a.ravel() for a in np.meshgrid(np.arange(0, 360, 10.0), np.arange(low, 91, 10.0))
    )
    # AES69 counts azimuth to the left, from x; a source that is turned carries its lobe along.
    ways = directions(turned_deg - azimuth, elevation)
    pressure = 10 ** (shape_db(ways) / 20)
    with h5py.File(path, "w") as file:
        file.attrs.update({"Conventions": "SOFA", "SOFAConventions": convention, "Version": "2.1"})
        frequency = np.geomspace(80, 1600, 60)
        phase = np.exp(1j * frequency / 100)
        spectrum = np.repeat((pressure[:, None] * phase)[None], measurements, axis=0)
        if convention == "GeneralFIR":
            response = np.zeros((measurements, len(ways), 512))
            response[:, :, 5] = pressure
            file["Data.IR"], file["Data.SamplingRate"] = response, [48000.0]
        else:
            file["Data.Real"], file["Data.Imag"] = spectrum.real, spectrum.imag
            file["N"] = frequency
        position = np.stack([azimuth, elevation, np.full(len(azimuth), 2.0)], axis=1)
        file["ReceiverPosition"] = position[..., None]
        file["ReceiverPosition"].attrs["Type"] = "spherical"
        for name in ("ListenerPosition", "SourcePosition"):
            file[name] = np.zeros((1, 3))
            file[name].attrs["Type"] = b"cartesian"
        view = directions(np.array([-turned_deg]), np.array([0.0])) * [1, -1, 1]
        file["SourceView"], file["SourceUp"] = view, [[0.0, 0.0, 1.0]]
    return path


@pytest.mark.parametrize("convention", ["FreeFieldDirectivityTF", "GeneralTF", "GeneralFIR"])
@pytest.mark.parametrize("turned_deg", [0.0, 90.0])
def test_sofa_gives_what_went_in(tmp_path, convention, turned_deg):
    """Also if the source looks elsewhere than along x: what is on its right stays there."""
    path = write_sofa(tmp_path / "invented.sofa", convention, turned_deg)
    found = read_sofa(path, BANDS)
    for band in (0, 1):
        level = 10 * np.log10(found.energy[::2, ::2, band])
        np.testing.assert_allclose(level, shape_db(grid()[::2, ::2]), atol=1e-9)
    assert found.origin == "AES69 file 'invented.sofa', 614 directions"


def test_octaves_weigh_the_logarithmic_axis_alike(tmp_path):
    """|p|^2 = f over an octave of a linear axis from f: the mean over ln f is (f2-f1)/ln(f2/f1)."""
    path = write_sofa(tmp_path / "a.sofa")
    frequency = np.arange(1.0, 2000.0)
    with h5py.File(path, "a") as file:
        receivers = file["ReceiverPosition"].shape[0]
        for name in ("Data.Real", "Data.Imag", "N"):
            del file[name]
        file["N"] = frequency
        tilt = np.repeat(np.sqrt(frequency)[None], receivers, axis=0)
        tilt[0] = 1.0
        file["Data.Real"], file["Data.Imag"] = tilt[None], np.zeros((1, receivers, 1999))
    low, high = 1000 / 10 ** (3 / 20), 1000 * 10 ** (3 / 20)
    mean = (high - low) / np.log(high / low)
    below = read_sofa(path, BANDS).energy[:, list(ELEVATIONS_DEG).index(-90.0), 1]
    # 36 receivers point straight down and are averaged; one of them has 1 instead of the mean.
    np.testing.assert_allclose(below, (35 * mean + 1) / 36 / mean, rtol=1e-5)


def no_sofa(path):
    path.write_text("azimuth_deg,elevation_deg\n", encoding="utf-8")


def hdf5_only(path):
    with h5py.File(path, "w") as file:
        file.attrs["Conventions"] = "CF-1.8"


def lacking(name):
    def spoil(path):
        with h5py.File(write_sofa(path), "a") as file:
            del file[name]

    return spoil


def silent(path):
    with h5py.File(write_sofa(path), "a") as file:
        file["Data.Real"][...] = 0
        file["Data.Imag"][...] = 0


def at_the_source(path):
    with h5py.File(write_sofa(path), "a") as file:
        file["ReceiverPosition"][3, 2] = 0


def without_a_frame(path):
    with h5py.File(write_sofa(path), "a") as file:
        file["SourceUp"][...] = file["SourceView"][...]


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda _: None, "there is no such file"),
        (no_sofa, r"it is not an AES69 \(SOFA\) file"),
        (hdf5_only, r"an HDF5 file, but not AES69 \(SOFA\)"),
        (
            lambda path: write_sofa(path, "SimpleFreeFieldHRIR"),
            "its convention is SimpleFreeFieldHRIR",
        ),
        (lambda path: write_sofa(path, measurements=3), "3 measurements; give a file with one"),
        (lambda path: write_sofa(path, low=-30), "no direction within 60 degrees of azimuth"),
        (
            lambda path: write_sofa(path, low=30),
            "no receiver within 12.5 degrees of the source's view",
        ),
        (lacking("Data.Real"), "it is damaged or lacks what its convention asks for.*Data.Real"),
        (lacking("ReceiverPosition"), "it is damaged or lacks what its convention asks for"),
        (silent, "a spectrum is zero or not finite"),
        (at_the_source, "a receiver stands at the source"),
        (without_a_frame, "SourceView and SourceUp give no frame"),
    ],
)
def test_wrong_sofa_is_refused(tmp_path, spoil, sentence):
    path = tmp_path / "invented.sofa"
    spoil(path)
    with pytest.raises(SceneError, match=r"invented\.sofa: .*" + sentence):
        read_sofa(path, BANDS)


def test_sofa_without_a_band(tmp_path):
    path = write_sofa(tmp_path / "a.sofa")
    with pytest.raises(SceneError, match="no frequency within the octaves 4000, 8000 Hz"):
        read_sofa(path, (1000.0, 4000.0, 8000.0))


def test_measured_ears_are_no_directivity():
    """A binaural room response (University of Surrey, Room A): receivers are the ears."""
    with pytest.raises(SceneError, match="SimpleFreeFieldHRIR, which holds no directivity"):
        read_sofa(reference_file("UniS_Room_A_BRIR_16k.sofa"), BANDS)
