"""What the full solution says of a layout that the search scored by a sum over modes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from raysim.place.aim import bass_terms
from raysim.place.asking import Question, moved_text
from raysim.place.scores import Scored
from raysim.place.search import Found, Told
from raysim.place.waves import exact_response, log_frequencies, zone_points
from raysim.scene.read import scene_of_text


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
    told("checking the best layout", 0.9)
    best = _exact(question, found.best)
    told("checking the present layout", 0.95)
    current = best if found.best is found.current else _exact(question, found.current, True)
    searched = found.current.terms.bass_db - found.best.terms.bass_db
    missed = question.asked.weights.bass * (current - best - searched)
    return Checked(best, current, float(np.hypot(found.gain.error_db, missed)))


def _exact(question: Question, scored: Scored, as_it_is: bool = False) -> float:
    layout, scene = scored.layout, question.scene
    if not as_it_is:
        scene = scene_of_text(moved_text(question, layout), question.path)
    pressure = exact_response(
        scene,
        np.array([layout.left, layout.right]),
        zone_points(layout.seat, question.asked.zone),
        log_frequencies(question.asked.highest_hz),
    )
    return float(bass_terms(pressure)[0])
