"""A search in sentences and as numbers."""

from __future__ import annotations

from typing import Any

from raysim.place.asking import Question
from raysim.place.checking import Checked
from raysim.place.layouts import Layout
from raysim.place.limits import Limits
from raysim.place.scores import Scored
from raysim.place.search import WORTH_MOVING_DB, Found, Gain, gain_of

HALF_HEIGHT_SHARE = 0.1
EDGE_M = 0.01
WORSE_BASS_DB = 0.3
PERCENT_RULE = "a starting point for a bare rectangle"


def rows(found: Found) -> list[tuple[str, Scored]]:
    """Layouts to show and what they are called."""
    named = [
        ("best", found.best),
        ("now", found.current),
        ("runner-up", found.runner_up),
        ("other front", None if found.other_front is found.runner_up else found.other_front),
        ("common practice", found.common),
    ]
    return [(name, one) for name, one in named if one is not None]


def where(layout: Layout) -> str:
    """A layout in a line."""
    return (
        f"front '{layout.front.name}': loudspeakers {layout.off_wall_m:.2f} m off the wall and "
        f"{layout.base_m:.2f} m apart, head {layout.seat_m:.2f} m from the wall "
        f"({100 * layout.seat_m / layout.front.depth_m:.0f} % of the depth)"
    )


def verdict(found: Found, checked: Checked) -> str:
    """Move, or keep it."""
    gain, error = found.gain.gain_db, checked.error_db
    if keeps(found, checked):
        if found.best is found.current:
            return "Keep it: no layout within the limits is better than the present one."
        return (
            f"Keep it: the best layout found is better by {gain:.1f} ± {error:.1f} dB of the aim, "
            f"no more than its error or than the {WORTH_MOVING_DB:g} dB that are worth a move."
        )
    worse = checked.best_db - checked.current_db
    mind = f" But its bass is less even by {worse:.1f} dB." if worse > WORSE_BASS_DB else ""
    return (
        f"Move: better than now by {gain:.1f} ± {error:.1f} dB of the aim, in "
        f"{100 * found.gain.share:.0f} % of plausible rooms.{mind}"
    )


def keeps(found: Found, checked: Checked) -> bool:
    """Whether the present layout stays, by the error that includes the full solution."""
    least = max(checked.error_db, WORTH_MOVING_DB)
    return found.best is found.current or found.gain.gain_db <= least


def notes(question: Question, found: Found) -> list[str]:
    """What a reader should know beside the table."""
    asked, best = question.asked, found.best
    said = list(question.notes)
    if found.common is not None and found.common_blocked:
        said.append("the common-practice layout doesn't fit here: something stands in its way")
    if found.common is not None:
        gain = gain_of(best, found.common)
        said.append(f"against common practice, {PERCENT_RULE}: {_signed(gain)}")
    if found.runner_up is not None:
        said.append(f"against the runner-up: {_against(found, found.runner_up)}")
    seats = [one.layout.seat_m for one in found.robust]
    offs = [one.layout.off_wall_m for one in found.robust]
    if seats:
        said.append(
            f"robust zone, within {WORTH_MOVING_DB:g} dB or the error of the best: head "
            f"{_span(seats)}, loudspeakers {_span(offs)} from the front wall "
            f"({len(seats)} of {len(found.tried)} layouts)"
        )
    said += _edges(asked.limits, best.layout)
    height = asked.scene.mesh.vertices[:, 2].max() - asked.scene.floor_m
    ear = best.layout.seat[2] - asked.scene.floor_m
    if abs(ear / height - 0.5) < HALF_HEIGHT_SHARE / 2:
        said.append(
            f"ears {ear:.2f} m high are within 10 % of half the ceiling's {height:.2f} m: the "
            "first mode from floor to ceiling is neither excited nor heard there, but elsewhere"
        )
    for name, each in zip(question.names, best.early, strict=True):
        if each.notch_by:
            said.append(
                f"deepest boundary notch of {name}: {each.notch_db:.1f} dB at "
                f"{each.notch_hz:.0f} Hz by '{each.notch_by}'"
            )
    return said


def _against(found: Found, other: Scored) -> str:
    """By how much the best is better, and whether another that turns nobody round may be had."""
    gain, now = gain_of(found.best, other), found.current.layout.front.name
    if gain.gain_db > 2 * gain.error_db:
        return _signed(gain)
    stays = other.layout.front.name == now != found.best.layout.front.name
    easier = f"; it keeps '{now}' as the front, so take it if that is easier" if stays else ""
    return f"{_signed(gain)}, too little to tell{easier}"


def _edges(limits: Limits, layout: Layout) -> list[str]:
    """The best may lie farther where it lies at the end of what was searched."""
    given = {
        "--off-wall": ("loudspeakers", "off the wall", limits.off_wall_m, layout.off_wall_m),
        "--base": ("loudspeakers", "apart", limits.base_m, layout.base_m),
        "--seat": ("a head", "from the wall", limits.seat_m, layout.seat_m),
    }
    return [
        f"the best is at the end of what was searched, {what} {end:g} m {where}: "
        f"{option} looks beyond it"
        for option, (what, where, ends, value) in given.items()
        for end in ends
        if abs(value - end) < EDGE_M
    ]


def content(question: Question, found: Found, checked: Checked) -> dict[str, Any]:
    """All of it as numbers for JSON; lengths in m, terms in dB."""
    return {
        "scene": question.path,
        "keep": keeps(found, checked),
        "gain_db": found.gain.gain_db,
        "gain_error_db": checked.error_db,
        "better_in_share_of_rooms": found.gain.share,
        "bass_full_solution_db": {"best": checked.best_db, "now": checked.current_db},
        "layouts_tried": len(found.tried),
        "weights": vars(question.asked.weights),
        "seed": question.asked.seed,
        "layouts": {name.replace(" ", "_"): _as_numbers(one) for name, one in rows(found)},
        "notes": notes(question, found),
    }


def _as_numbers(scored: Scored) -> dict[str, Any]:
    layout = scored.layout
    return {
        "front": layout.front.name,
        "off_wall_m": layout.off_wall_m,
        "base_m": layout.base_m,
        "seat_m": layout.seat_m,
        "apart_deg": layout.apart_deg,
        "left": layout.left.tolist(),
        "right": layout.right.tolist(),
        "seat": layout.seat.tolist(),
        **vars(scored.terms),
        "aim_db": scored.aim_db,
        "aim_in_plausible_rooms_db": scored.mean_db,
        "aim_spread_db": float(scored.aims_db.std(ddof=1)),
    }


def _span(lengths: list[float]) -> str:
    low, high = f"{min(lengths):.2f}", f"{max(lengths):.2f}"
    return f"{low} m" if low == high else f"{low} to {high} m"


def _signed(gain: Gain) -> str:
    return f"{gain.gain_db:+.1f} ± {gain.error_db:.1f} dB of the aim"
