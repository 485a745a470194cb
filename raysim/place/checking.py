"""What the full solution says of a layout that the search scored by a sum over modes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raysim.place.aim import bass_terms
from raysim.place.asking import Question, moved_text
from raysim.place.scores import Scored
from raysim.place.search import Found, Told
from raysim.place.waves import Modes, exact_response, log_frequencies
from raysim.place.zones import zone_points
from raysim.scene.data import Scene
from raysim.scene.read import scene_of_text
from raysim.waves.threads import at_once


@dataclass(frozen=True)
class Checked:
    """The bass term by the full solution, with the desk where each layout has it.

    Attributes
    ----------
    best_db, current_db : float
        Unevenness, as `Terms.bass_db`.
    error_db : float
        Of the gain: spread over plausible rooms and what the sum over modes misses, as squares.
    """

    best_db: float
    current_db: float
    error_db: float


def check(question: Question, found: Found, told: Told = lambda _stage, _fraction: None) -> Checked:
    """Compute best and current layout anew, with loudspeakers, seat and desk in their places."""
    told("checking by the full solution", 0.9)
    if found.best is found.current:
        best = current = _exact(question, [found.current], question.scene)[0]
    elif question.asked.desk is None:
        best, current = _exact(question, [found.best, found.current], question.scene, found.modes)
    else:
        text = moved_text(question, found.best.layout)
        best, current = at_once(
            lambda: _exact(question, [found.best], scene_of_text(text, question.path))[0],
            lambda: _exact(question, [found.current], question.scene)[0],
        )
    searched = found.current.terms.bass_db - found.best.terms.bass_db
    missed = question.asked.weights.bass * (current - best - searched)
    return Checked(best, current, float(np.hypot(found.gain.error_db, missed)))


def _exact(
    question: Question, scored: Sequence[Scored], scene: Scene, modes: Modes | None = None
) -> list[float]:
    """Unevenness of the bass of each layout in a scene in which nothing else moves."""
    zone, layouts = question.asked.zone, [one.layout for one in scored]
    pressure = exact_response(
        scene,
        np.concatenate([[one.left, one.right] for one in layouts]),
        zone_points(scene, np.array([one.seat for one in layouts]), zone).reshape(-1, 3),
        log_frequencies(question.asked.highest_hz),
        modes,
    )
    points = pressure.shape[1] // len(layouts)
    return [
        float(bass_terms(pressure[2 * n : 2 * n + 2, points * n : points * (n + 1)])[0])
        for n in range(len(layouts))
    ]
