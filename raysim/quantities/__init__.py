"""Evaluates results: decay times, energy ratios, early reflections, criteria."""

from raysim.quantities.bass_changes import bass_change
from raysim.quantities.bass_decay import bass_decay, mean_bass_decay
from raysim.quantities.bass_gain import room_gain
from raysim.quantities.bass_levels import corner_levels, seat_levels_db, zone_levels
from raysim.quantities.bass_modes import modes_of
from raysim.quantities.bass_notches import boundary_notches
from raysim.quantities.bass_plan import bass_plan, walk
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
from raysim.quantities.response import joined_response
from raysim.quantities.sides import Side, side_of
from raysim.quantities.validity import (
    ray_validity,
    states_decay,
    transition,
    transition_frequency,
)

__all__ = [
    "QUANTITIES",
    "Comparison",
    "Side",
    "average",
    "bass_change",
    "bass_decay",
    "bass_plan",
    "boundary_notches",
    "by_surface",
    "centre_time",
    "check_all",
    "clarity",
    "compare",
    "compare_variants",
    "corner_levels",
    "curvature",
    "definition",
    "delay_tolerance_s",
    "diffuse_field",
    "early_decay_time",
    "early_reflections",
    "evaluate_all",
    "input_range",
    "joined_response",
    "mean_bass_decay",
    "modes_of",
    "ray_validity",
    "reverberation_time",
    "room_gain",
    "seat_levels_db",
    "side_of",
    "sound_strength",
    "states_decay",
    "transition",
    "transition_frequency",
    "walk",
    "zone_levels",
]
