"""The layout that a search finds, against common practice in rooms drawn at random."""

from dataclasses import replace

import numpy as np
import pytest

from raysim.place.asking import ask
from raysim.place.limits import Limits
from raysim.place.scores import Scores
from raysim.place.search import search
from raysim.place.waves import Modes, log_frequencies, plausible_rooms
from tests.place_made import room_file

ROOMS, OTHER_SEED = 10, 77
LIMITS = Limits(fronts=("front",), off_wall_m=(0.2, 0.5), base_m=(0.8, 1.1))


@pytest.mark.slow
def test_found_is_at_least_as_good_as_common_practice(tmp_path):
    """On the aim itself, in plausible rooms of a seed that the search did not have.

    Ten of ten rooms: equal to 0.2 dB (the mesh is drawn anew and moves the aim by up to 0.1 dB;
    the command calls nothing better below 0.5 dB) or better; on average better by 3 errors.
    """
    generator = np.random.default_rng(5)
    gains = []
    for n in range(ROOMS):
        size = np.round(generator.uniform((2.4, 1.9, 2.1), (2.9, 2.3, 2.3)), 2)
        asked = ask(room_file(tmp_path, size, f"room{n}"), LIMITS, highest_hz=100.0).asked
        modes = Modes(asked.scene, log_frequencies(asked.highest_hz), asked.current.seat)
        found = search(asked, modes=modes)
        scores = Scores(replace(asked, seed=OTHER_SEED), modes)
        assert scores.rooms[0].speed != plausible_rooms(asked.scene, 1, asked.seed, 0.01)[0].speed
        again = [
            scores.robustly(replace(one, aims_db=np.zeros(0))) for one in (found.best, found.common)
        ]
        gains.append(again[1].mean_db - again[0].mean_db)
    assert min(gains) > -0.2, np.round(gains, 3)
    assert np.mean(gains) > 3 * np.std(gains, ddof=1) / np.sqrt(ROOMS), np.round(gains, 3)
