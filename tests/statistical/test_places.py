"""The layout that a search finds, against common practice in rooms drawn at random."""

from dataclasses import replace

import numpy as np
import pytest

from raysim.place.asking import ask
from raysim.place.limits import Limits
from raysim.place.plausible import plausible_rooms
from raysim.place.scores import Scores
from raysim.place.search import gain_of, search
from raysim.place.waves import Modes, log_frequencies
from tests.place_made import room_file

ROOMS, OTHER_SEED, PLAUSIBLE = 10, 77, 72
WORST, MEAN = -5.0, 5.0  # standard errors
LIMITS = Limits(fronts=("front",), off_wall_m=(0.2, 0.5), base_m=(0.8, 1.1))


@pytest.mark.slow
def test_found_is_at_least_as_good_as_common_practice(tmp_path):
    """On the aim itself, in 72 plausible rooms of a seed that the search did not have.

    Ten of ten rooms: equal, or better, or not worse by more than 5 standard errors of the paired
    difference; and over these ten rooms together better by 5. With 71 degrees of freedom a
    search that is exactly equal in a room falls below -5 by chance once in 500,000 (Student), so
    ten of them once in 50,000. Mesh and seeds are fixed: with one program it is not chance.
    """
    generator = np.random.default_rng(5)
    gains, errors = [], []
    for n in range(ROOMS):
        size = np.round(generator.uniform((2.4, 1.9, 2.1), (2.9, 2.3, 2.3)), 2)
        asked = ask(room_file(tmp_path, size, f"room{n}"), LIMITS, highest_hz=100.0).asked
        modes = Modes(asked.scene, log_frequencies(asked.highest_hz), asked.current.seat)
        found = search(asked, modes=modes)
        scores = Scores(replace(asked, seed=OTHER_SEED), modes)
        speeds = [plausible_rooms(asked.scene, 1, s, 0.01)[0].speed for s in (1, OTHER_SEED)]
        assert speeds[0] != speeds[1]
        gain = gain_of(*scores.robustly([found.best, found.common], PLAUSIBLE))
        gains.append(gain.gain_db)
        errors.append(gain.error_db / np.sqrt(PLAUSIBLE))
    gains, errors = np.array(gains), np.array(errors)
    assert (gains >= WORST * errors).all(), (np.round(gains, 3), np.round(errors, 3))
    assert gains.sum() > MEAN * np.sqrt((errors**2).sum()), (
        np.round(gains, 3),
        np.round(errors, 3),
    )
