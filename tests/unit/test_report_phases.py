"""Variants that build on each other, in the report."""

from __future__ import annotations

from raysim.report.phases import phase_sentences
from raysim.scene.read import load_scene
from tests.planned import room_text

PIECE = """
[treatments.{}]
kind = "panel"
on = "{}"
at = [0.6, 0.6]
size = [0.6, 1.2]
layers = ["porous 50mm 12000"]
cost = {}
phase = {}
"""
VARIANTS = """
[variants.phase_1]
treatments = ["a", "b"]
[variants.plan]
treatments = ["a", "b", "c"]
[variants.other]
treatments = ["b", "c"]
"""


def scene_of(folder, text):
    path = folder / "room.toml"
    path.write_text(text, encoding="utf-8")
    return load_scene(path)


def test_what_stays_and_what_is_added(tmp_path):
    pieces = PIECE.format("a", "front", 40, 1) + PIECE.format("b", "rear", 50, 1)
    scene = scene_of(tmp_path, room_text() + pieces + PIECE.format("c", "left", 70, 2) + VARIANTS)
    phase_1, plan, other = (v for v in scene.variants if v.treatments)
    assert phase_sentences(scene, [phase_1, plan]) == [
        "First “phase_1”: 2 pieces for 90.",
        "Then “plan”: everything of “phase_1” stays where it hangs, with 1 piece for 70 added.",
    ]
    assert phase_sentences(scene, [phase_1, other]) == []  # not nested
    assert phase_sentences(scene, [plan]) == []


def test_variants_of_one_phase_are_alternatives(tmp_path):
    pieces = "".join(
        PIECE.format(n, on, 40, 1) for n, on in zip("abc", ("front", "rear", "left"), strict=True)
    )
    scene = scene_of(tmp_path, room_text() + pieces + VARIANTS)
    assert phase_sentences(scene, [v for v in scene.variants if v.treatments][:2]) == []
