"""Interrupted, killed, out of space: what is left is whole, and work goes on where it stopped."""

from __future__ import annotations

import errno
import os
import signal
import subprocess

import numpy as np
import pytest

from raysim.results.store import load_result
from raysim.solvers.late import trace_round
from tests.cli.conftest import in_process, listing

ROUNDS = 2
QUICK = ["--image-order", "1", "--no-bass"]
# One process, told by the number of the round when to meet its signal: a hook, not a sleep.
SIGNAL_IN_ROUND = """
import os, signal as signals, sys
signals.signal(signals.SIGINT, signals.default_int_handler)  # a job may ignore it
from raysim.cli.main import main
from raysim.solvers import run
signal, at, arguments = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:]
trace = run.trace_round
def hooked(packed, plan, seed, round_number, *more, **named):
    if round_number == at:
        os.kill(os.getpid(), signal)
    return trace(packed, plan, seed, round_number, *more, **named)
run.trace_round = hooked
sys.exit(main(arguments))
"""
KILL_IN_SAVE = """
import os, signal, sys
from raysim import files
from raysim.cli.main import main
files.os.fsync = lambda _descriptor: os.kill(os.getpid(), signal.SIGKILL)
sys.exit(main(sys.argv[1:]))
"""


def rays_of(rounds):
    from raysim.settings import BATCHES
    from raysim.solvers.late import RAYS_A_ROUND

    return rounds * BATCHES * RAYS_A_ROUND


def run_with_signal(sent, at, *arguments, cwd):
    return in_process(SIGNAL_IN_ROUND, int(sent), at, *arguments, cwd=cwd)


def test_interrupted_run_resumes_to_the_same_bits(raysim, folder, scene):
    rays = ["--rays", rays_of(ROUNDS), *QUICK]
    assert raysim("run", scene, "-o", "whole.h5", *rays).code == 0
    stopped = run_with_signal(
        signal.SIGINT, 1, "run", scene.name, "-o", "cut.h5", *rays, cwd=folder
    )
    assert stopped.returncode == 130
    assert "Traceback" not in stopped.stderr
    assert listing(folder) == ["cut.partial.h5", "room.toml", "whole.h5"]
    resume = "raysim run room.toml -o cut.h5 --extend cut.partial.h5"
    assert resume in stopped.stderr
    assert 0 < load_result(folder / "cut.partial.h5").rounds < ROUNDS
    assert raysim(*resume.split()[1:]).code == 0
    whole, resumed = load_result(folder / "whole.h5"), load_result(folder / "cut.h5")
    assert resumed.rounds == whole.rounds == ROUNDS
    np.testing.assert_array_equal(resumed.energy_batches, whole.energy_batches)


@pytest.fixture
def send(monkeypatch):
    """Send a signal to this process when a round of the given number begins."""

    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a job may ignore it

    def hook(sent, at):
        def hooked(packed, plan, seed, round_number, *more, **named):
            if round_number == at:
                os.kill(os.getpid(), sent)
            return trace_round(packed, plan, seed, round_number, *more, **named)

        monkeypatch.setattr("raysim.solvers.run.trace_round", hooked)

    yield hook
    signal.signal(signal.SIGINT, before)


def test_terminated_run_is_kept_too(raysim, folder, scene, send):
    send(signal.SIGTERM, 1)
    assert raysim("run", scene, "--rays", rays_of(ROUNDS), *QUICK).code == 130
    assert listing(folder) == ["room.partial.h5", "room.toml"]


def test_interrupted_before_the_first_round_leaves_nothing(raysim, folder, scene, send):
    send(signal.SIGINT, 0)
    stopped = raysim("run", scene, "--rays", "32", *QUICK)
    assert stopped.code == 130
    assert "interrupted before there was anything to keep" in stopped.err
    assert listing(folder) == ["room.toml"]


def test_killed_run_leaves_nothing(folder, scene):
    killed = run_with_signal(
        signal.SIGKILL, 1, "run", scene.name, "--rays", rays_of(ROUNDS), *QUICK, cwd=folder
    )
    assert killed.returncode == -signal.SIGKILL
    assert listing(folder) == ["room.toml"]


def test_killed_while_saving_leaves_the_earlier_result(folder, scene, computed):
    (folder / "room.h5").write_bytes(computed.read_bytes())
    killed = in_process(KILL_IN_SAVE, "run", scene.name, "--rays", "32", *QUICK, cwd=folder)
    assert killed.returncode == -signal.SIGKILL
    assert (folder / "room.h5").read_bytes() == computed.read_bytes()
    assert all(
        name in ("room.h5", "room.toml") or name.endswith(".part") for name in listing(folder)
    )


def test_full_disk_injected(raysim, folder, scene, monkeypatch):
    def full(_descriptor):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("raysim.files.os.fsync", full)
    outcome = raysim("run", scene, "--rays", "32", *QUICK)
    assert outcome.code == 2
    assert "raysim: room.h5: cannot be written: the disk is full" in outcome.err
    assert listing(folder) == ["room.toml"]


@pytest.fixture
def small_disk(folder):
    """File system of 64 KiB; needs the right to mount."""
    place = folder / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)]
    try:
        done = subprocess.run(mount, capture_output=True, check=False)
    except FileNotFoundError:
        pytest.skip("there is no mount command here")
    if done.returncode:
        pytest.skip("a file system may not be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_full_disk(raysim, scene, small_disk):
    outcome = raysim("run", scene, "--rays", "32", *QUICK, "-o", small_disk / "room.h5")
    assert outcome.code == 2
    assert "the disk is full" in outcome.err
    assert listing(small_disk) == []


def test_read_only_disk_is_refused_before_computing(raysim, scene, small_disk, computed):
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    outcome = raysim("run", scene, "-o", small_disk / "room.h5")
    assert outcome.code == 2
    assert "read-only" in outcome.err
    assert "preparing" not in outcome.err
    outcome = raysim("report", computed, "-o", small_disk / "page")
    assert outcome.code == 2
    assert outcome.err.startswith("raysim: ")
    assert "Traceback" not in outcome.err


def test_folder_without_permission_is_refused_before_computing(raysim, folder, scene, monkeypatch):
    def refuse(*_arguments, **_more):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("raysim.cli.destination.tempfile.TemporaryFile", refuse)
    outcome = raysim("run", scene, "-o", "room.h5")
    assert outcome.code == 2
    assert "no permission" in outcome.err
    assert "preparing" not in outcome.err
    assert listing(folder) == ["room.toml"]


def test_threads_change_no_bit(raysim, folder, scene):
    rays = ["--rays", rays_of(1), *QUICK]
    for threads in (1, 2):
        assert raysim("run", scene, "-o", f"{threads}.h5", "--threads", threads, *rays).code == 0
    one, two = load_result(folder / "1.h5"), load_result(folder / "2.h5")
    np.testing.assert_array_equal(one.energy_batches, two.energy_batches)
