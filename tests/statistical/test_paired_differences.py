"""Differences on one trace are several times surer than between two, in every quantity."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from raysim.quantities import side_of
from raysim.quantities.differences import differences
from raysim.scene.data import Treatment, Variant
from raysim.scene.read import load_scene
from raysim.settings import Settings
from raysim.solvers.run import run

SCENE = Path(__file__).resolve().parents[2] / "scenes" / "control_room.toml"
SMALL = {"rays": 32768, "image_order": 2, "duration_s": 0.4}
TIMES = 3.0


@pytest.fixture(scope="module")
def results():
    """The control room bare and with one panel of 1.2 x 0.6 m: on one trace, and a second trace."""
    scene = load_scene(SCENE)
    bands = len(scene.bands_hz)
    panel = dataclasses.replace(scene.materials[0], name="panel", absorption=np.full(bands, 0.9))
    left = max(
        (f for f, facet in enumerate(scene.facets) if facet.name.startswith("left_wall")),
        key=lambda f: scene.facets[f].area,
    )
    piece = Treatment(
        *("panel", "panel", "panel", left, (1.0, 0.8, 2.2, 1.4), 0.1, 0.0),
        *(len(scene.materials), "hung", None, None, 1, False, "left", np.zeros((8, 3))),
    )
    scene = dataclasses.replace(
        scene,
        materials=(*scene.materials, panel),
        treatments=(piece,),
        variants=(Variant("base"), Variant("panel", (0,))),
    )
    together = run(scene, Settings(seed=1, **SMALL))
    return together, run(scene, Settings(seed=2, **SMALL), variants=["panel"])


@pytest.mark.parametrize("key", ["EDT", "T20", "C50", "Ts", "G"])
def test_one_panel_is_known_three_times_better(results, key):
    """Standard errors of the change, median over bands; 1 would be no gain.

    A standard error from 32 batches is itself known to 13 %, a ratio of medians better.
    """
    together, apart = results
    base = side_of(together, "base")
    paired, unpaired = (
        next(one for one in differences(base, side_of(of, "panel")) if one.key == key)
        for of in (together, apart)
    )
    ratio = unpaired.change.standard_error[0] / paired.change.standard_error[0]
    assert np.nanmedian(ratio) > TIMES, ratio
    assert np.isfinite(ratio).sum() >= 4


def test_both_ways_agree(results):
    """The changes found in both ways, against the error of the surer and the other, 4 of them."""
    together, apart = results
    base = side_of(together, "base")
    pairs = zip(
        differences(base, side_of(together, "panel")),
        differences(base, side_of(apart, "panel")),
        strict=True,
    )
    judged = 0
    for paired, unpaired in pairs:
        if paired.key in ("EDT", "T20", "C50", "Ts", "G"):
            off = paired.change.value[0] - unpaired.change.value[0]
            z = off / unpaired.change.standard_error[0]
            known = np.isfinite(z)
            assert (np.abs(z[known]) < 4).all(), (paired.key, z)
            judged += known.sum()
    assert judged >= 20
