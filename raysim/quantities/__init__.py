"""Evaluates results: decay times, energy ratios, early reflections, criteria."""

from raysim.quantities.checks import check_all
from raysim.quantities.comparison import Comparison, compare, compare_variants
from raysim.quantities.definitions import QUANTITIES
from raysim.quantities.evaluation import (
    average,
    centre_time,
    clarity,
    curvature,
    definition,
    early_decay_time,
    evaluate_all,
    reverberation_time,
    sound_strength,
)
from raysim.quantities.plausibility import diffuse_field, input_range
from raysim.quantities.reflections import by_surface, delay_tolerance_s, early_reflections
from raysim.quantities.sides import Side, side_of
from raysim.quantities.validity import ray_validity, transition, transition_frequency

__all__ = [
    "QUANTITIES",
    "Comparison",
    "Side",
    "average",
    "by_surface",
    "centre_time",
    "check_all",
    "clarity",
    "compare",
    "compare_variants",
    "curvature",
    "definition",
    "delay_tolerance_s",
    "diffuse_field",
    "early_decay_time",
    "early_reflections",
    "evaluate_all",
    "input_range",
    "ray_validity",
    "reverberation_time",
    "side_of",
    "sound_strength",
    "transition",
    "transition_frequency",
]
