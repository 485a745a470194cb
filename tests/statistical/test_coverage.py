"""Standard errors mean what they say."""

import numpy as np
import pytest

from raysim.quantities import clarity, reverberation_time, sound_strength
from raysim.settings import Settings
from raysim.solvers.run import run
from tests.rooms import shoebox

RUNS, RAYS, LONG = 200, 8192, 256
QUANTITIES = {
    "T20": lambda result: reverberation_time(result, everywhere=True),
    "C50": lambda result: clarity(result, everywhere=True),
    "G": lambda result: sound_strength(result, everywhere=True),
}


@pytest.mark.slow
def test_intervals_of_95_percent_cover():
    """T20, C50, G of 200 independent runs against a run of 256 times as many rays, over two
    receivers and two bands of different scattering: 92 to 98 % of the intervals cover.

    Negative control: intervals of half the length cover less than 80 %.
    """
    scene = shoebox(
        (5.2, 4.1, 2.7),
        absorption={"floor": 0.5, "other": 0.3},
        scattering=(0.2, 0.5),
        bands_hz=(500, 2000),
        sources=[(1.1, 0.8, 1.2)],
        receivers=[(2.6, 3.1, 1.35), (1.4, 4.1, 1.1)],
    )

    def estimates(seed, rays):
        settings = Settings(rays=rays, seed=seed, image_order=2, duration_s=0.18)
        result = run(scene, settings)
        return {name: evaluate(result) for name, evaluate in QUANTITIES.items()}

    truth = estimates(9999, RAYS * LONG)
    hits = {name: [] for name in QUANTITIES}
    short = {name: [] for name in QUANTITIES}
    for seed in range(RUNS):
        for name, estimate in estimates(seed, RAYS).items():
            low, high = estimate.interval(0.95)
            true, middle, half = truth[name].value, (high + low) / 2, (high - low) / 2
            hits[name].append(np.abs(middle - true) <= half)
            short[name].append(np.abs(middle - true) <= half / 2)
    for name in QUANTITIES:
        assert 0.92 <= np.mean(hits[name]) <= 0.98, (name, np.mean(hits[name]))
        assert np.mean(short[name]) < 0.8, name
