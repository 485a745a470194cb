"""The shipped treated rooms: what changed, with its error, and what did not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from raysim.quantities import compare_variants
from raysim.quantities.verdicts import BETTER, SAME
from raysim.scene.read import load_scene
from raysim.settings import Settings
from raysim.solvers.run import run

SCENES = Path(__file__).resolve().parents[2] / "scenes"
SMALL = {"image_order": 2, "duration_s": 0.5, "seed": 1}
SURE = 4.0  # standard errors: by chance once in some thousand numbers with 31 degrees of freedom


def change(comparison, key):
    """Change, its error and the verdicts of the mean over positions where they are defined."""
    judged = comparison.of(key)[-1]
    one = judged.difference.change
    known = np.isfinite(one.value[0])
    words = [v.word for v, k in zip(judged.verdicts[0], known, strict=True) if k]
    return one.value[0][known], one.standard_error[0][known], words, known


@pytest.fixture(scope="module")
def bedroom():
    scene = load_scene(SCENES / "linden_foam_or_wool.toml")
    return run(scene, Settings(rays=163840, **SMALL))


@pytest.mark.slow
def test_foam_and_wool_for_the_same_money(bedroom):
    """24 tiles of 50 mm foam against 8 panels of 100 mm wool with a gap of 50 mm.

    Decay times must move in every band as the absorption areas do, which Sabine's formula
    knows without tracing a ray; the even one is the wool.
    """
    (one,) = compare_variants(bedroom, variants=("foam", "wool"))
    foam, wool = one.sums
    assert (foam.pieces, wool.pieces) == (24, 8)
    assert foam.cost == wool.cost == 360
    scene = bedroom.scene
    area = {name: np.zeros(len(scene.bands_hz)) for name in ("foam", "wool")}
    for piece in scene.treatments:
        absorption = scene.materials[piece.material].absorption
        area[piece.name.split("_")[0]] += piece.area_m2 * absorption
    change_s, error_s, _, known = change(one, "T20")
    more = (area["wool"] - area["foam"])[known]
    assert known.sum() >= 4
    assert (error_s > 0).all()
    sure = np.abs(change_s) > SURE * error_s
    assert sure[0]
    assert sure[-1]
    assert (np.sign(change_s[sure]) == -np.sign(more[sure])).all()
    ratio, error, (word,), _ = change(one, "T ratio")
    assert ratio[0] > SURE * error[0]
    assert word == BETTER


@pytest.mark.slow
def test_either_shortens_the_bare_room_and_neither_touches_the_desk(bedroom):
    for one in compare_variants(bedroom, variants=("base", "foam", "wool")):
        change_s, error_s, words, _ = change(one, "T20")
        assert (change_s < -SURE * error_s).all()
        assert set(words) == {BETTER}
        moved, error, words, _ = change(one, "reflection")
        assert (moved[0], error[0], words[0]) == (0.0, 0.0, SAME)
        assert all("desk" in by for _, *ends in one.strongest for by in ends)


@pytest.mark.slow
def test_corner_traps_and_a_rear_panel_in_the_control_room():
    """Both shorten the decay; the rear panel leaves each early mirror path as it was, exactly.

    The sides stay alike: what is hung is symmetric.
    """
    scene = load_scene(SCENES / "control_room_treated.toml")
    result = run(scene, Settings(rays=131072, **SMALL), variants=["base", "traps", "rear"])
    for one in compare_variants(result):
        change_s, error_s, _, known = change(one, "T20")
        assert known.sum() == 5
        assert (change_s < -SURE * error_s).all(), (one.after.name, change_s, error_s)
        moved, _, (word,), _ = change(one, "reflection")
        assert (moved[0], word) == (0.0, SAME)
        match_db, error_db, _, _ = change(one, "match")
        assert (np.abs(match_db) < SURE * error_db).all()
        assert one.sums[1].cost == {"traps": 360, "rear": 190}[one.after.name]
