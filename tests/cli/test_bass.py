"""`raysim run --bass` on a tiny room, what it prints, and the report of it."""

import json

import h5py
import pytest

CLOSET = """\
title = "Invented closet"

[room]
size = [2.6, 2.1, 2.2]
tolerance = "1cm"

[materials.plaster]
absorption = [0.30, 0.20, 0.10, 0.10, 0.10, 0.10]
scattering = 0.2
reference = "judgement"

[surfaces]
"*" = "plaster"

[loudspeakers.sub]
cabinet = ["30cm", "30cm", "30cm"]
drivers = ["20cm"]
lowpass_hz = 80

[sources.top]
position = [0.7, 0.6, 1.1]
highpass_hz = 80

[sources.sub]
position = [1.6, 0.3, 0.3]
loudspeaker = "sub"
delay_ms = 2
inverted = true

[receivers.seat]
position = [1.05, 1.5, 1.1]
"""
QUICK = ["--rays", "32", "--image-order", "1", "--no-maps", "--bass"]


@pytest.mark.slow
def test_run_and_report(raysim, folder, monkeypatch):
    monkeypatch.setattr("raysim.solvers.bass.HIGHEST_HZ", 110.0)
    monkeypatch.setattr("raysim.solvers.bass.LEAST_HIGHEST_HZ", 100.0)
    (folder / "closet.toml").write_text(CLOSET, "utf-8")
    outcome = raysim("run", "closet.toml", "-o", "closet.h5", *QUICK)
    assert outcome.code == 0, outcome.err
    assert "Bass by waves at 'seat': computed up to 110 Hz" in outcome.out
    listed = [line for line in outcome.out.splitlines() if line.startswith("  - ")]
    assert max(map(len, listed)) <= 120
    assert "along the length, 1st" in outcome.out
    assert "their third-octaves differ by" in " ".join(outcome.out.split())
    with h5py.File("closet.h5") as file:
        assert file["response/playback"].asstr()[...].tolist() == ["top", "sub", "top + sub"]
        assert file["response/level"].shape[:3] == (1, 3, 1)
        assert file["scene/source_delay"][...].tolist() == [0, 0.002]
        assert file["scene/source_inverted"][...].tolist() == [0, 1]
        assert file["scene/source_highpass"][...].tolist() == [80, 0]
    outcome = raysim("report", "closet.h5", "-o", "page")
    assert outcome.code == 0, outcome.err
    for name in ("response.png", "bass.png", "bass_map.png", "bass_walk.png"):
        assert (folder / "page" / name).read_bytes().startswith(b"\x89PNG")
    page = (folder / "page/report.html").read_text("utf-8")
    assert '<section id="bass">' in page
    assert "Bass below about" not in page
    again = ["--extend", "closet.h5", "--json"]
    outcome = raysim("run", "closet.toml", "-o", "closet.h5", *QUICK, *again)
    told = json.loads(outcome.out)["bass"]
    assert told["highest_hz"] == 110
    assert told["modes"][0]["kind"] == "along the length, 1st"
    assert told["boundary_notches"][0]["rule_hz"] > 0
