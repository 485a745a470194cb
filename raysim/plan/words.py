"""A plan in plain words: what, where, what it costs, what it brings, and what it can't."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.digits import rounded, tidy
from raysim.plan.aim import BASS_PARTS, STEP_SHARE
from raysim.plan.choose import SURE
from raysim.plan.conduct import Plan, Step
from raysim.plan.mistakes import SEAT_FIRST, Warned
from raysim.quantities.balance import balance_sentence
from raysim.quantities.bass_changes import BassChange, bass_change, wave_times
from raysim.quantities.bass_decay import mean_bass_decay
from raysim.quantities.bass_evenness import evenness_words
from raysim.quantities.bass_modes import DECAY_SHARE
from raysim.quantities.reflections import by_surface, early_reflections
from raysim.quantities.sides import side_of
from raysim.results.data import Result
from raysim.scene.cautions import cautions
from raysim.scene.data import Scene
from raysim.theory import criteria, modal_decay
from raysim.theory.nulls import QUIET
from raysim.units import counted

Array = NDArray[np.float64]

MOST_SURFACES = 4
MOST_MODES = 5


def plan_words(plan: Plan, title: str) -> list[str]:
    """What to put up and in which order, one line each."""
    kept = plan.kept
    things = sum(len(step.site.sections) for step in kept)
    spent = kept[-1].spent if kept else 0.0
    budgets = plan.limits.budgets
    of_budget = f" of {budgets[-1]:g}" if budgets else ""
    lines = [f"Plan for {title}: {things} to put up, {spent:g}{of_budget} to spend"]
    weights = [step.site.weight_kg for step in kept]
    if kept:
        known = sum(w for w in weights if w is not None)
        unknown = weights.count(None)
        lines[0] += f", {known:.1f} kg" + (
            f" and {counted(unknown, 'weight')} not known" * bool(unknown)
        )
    numbered = list(enumerate(kept, start=1))
    for phase in range(1, max(1, len(budgets)) + 1):
        own = [(n, step) for n, step in numbered if step.phase == phase]
        if len(budgets) > 1:
            lines.append(_phase_line(plan, phase, [n for n, _ in own]))
        for number, step in own:
            lines += _step_lines(number, step, plan.removal[number - 1])
    return lines


def _phase_line(plan: Plan, phase: int, numbers: Sequence[int]) -> str:
    """What a phase spends and brings on top of those before, which stay as they are."""
    head = f"Phase {phase}, up to {plan.limits.budgets[phase - 1]:g}"
    if not numbers:
        return f"{head}: nothing more that would be noticed"
    own = [plan.steps[n - 1].site for n in numbers]
    things, spent = sum(len(site.sections) for site in own), sum(site.cost for site in own)
    by_column = plan.bench.by_column
    before, after = (plan.states[n].outcome(by_column) for n in (numbers[0] - 1, numbers[-1]))
    stays = ", all before stays where it is" if phase > 1 else ""
    return (
        f"{head}{stays}: {things} to put up for {spent:g}, "
        f"gains {_number(*after.gain_over(before))} steps"
    )


def _step_lines(number: int, step: Step, removal: tuple[float, float]) -> list[str]:
    site = step.site
    pair = "two of " if len(site.sections) == 2 else ""
    cost = "owned" if site.item.owned else f"{site.cost:g}"
    first = (
        f"{number}. {pair}'{site.item.name}', {site.item.fixing}, {cost}: gains "
        f"{_number(step.gain, step.error)} steps (without it at the end: {_number(*removal)} worse)"
    )
    return [first, *(f"   {where}" for where in site.where)]


def stop_words(plan: Plan) -> list[str]:
    """Where the list ends and why; the gain of each thing as a curve of one line."""
    bench = plan.bench
    total = [state.outcome(bench.by_column) for state in plan.states]
    worst = max(one.standard_error for one in total)
    curve = " ".join(rounded(one.off, worst)[0] for one in total)
    lines = [
        f"Off the aim after each, weighted noticeable steps: {curve} "
        f"(± {rounded(0.0, worst)[1]} at most)"
    ]
    if plan.stop < len(plan.steps):
        rest = len(plan.steps) - plan.stop
        lines.append(
            f"Stop after {plan.stop}: the {rest} that would follow change nothing by a noticeable "
            "step, in any band or reflection"
        )
    elif plan.steps:
        last, end = plan.states[-2], plan.states[-1]
        gain = last.off - end.off
        moved = last.moved_error(end)
        best = int(np.argmax(gain - SURE * moved))
        lines.append(
            f"The stop line isn't reached: what ends the list is money, count or room. The last "
            f"one still brings {_number(float(gain[best]), float(moved[best]))} steps of "
            f"{bench.columns[best].words}"
        )
    if plan.regret is not None:
        regret, error = plan.regret
        if regret <= 0:
            lines.append("Phases: nothing is lost against spending all at once")
        else:
            lines.append(
                f"Phases: spending all at once would bring {_number(regret, error)} steps more "
                "than phase by phase"
            )
    return lines


def nothing_words(plan: Plan, warned: Sequence[Warned]) -> list[str]:
    """What to say first: move the seat, or that nothing helps; empty where neither applies."""
    lines = [f"First, at no cost: {one.sentence}" for one in warned if one.name in SEAT_FIRST]
    if not plan.stop:
        cure = "move the seat first, then plan again" if lines else "keep the room as it is"
        lines.append(f"None: nothing of the catalogue brings a noticeable difference; {cure}")
    return lines


def balance_words(plan: Plan, result: Result | None, variant: str) -> list[str]:
    """What the plan does to lows and highs; a dull and boomy room is called that.

    By rays where they mean something, below by waves where the bass was computed, else not.
    """
    before, after = plan.states[0], plan.states[plan.stop]
    scene = plan.bench.workshop.scene
    waves: list[dict[float, tuple[float, float]]] = [{}, {}]
    changes: dict[float, tuple[Array, float]] = {}
    if result is not None:
        waves = [mean_bass_decay(result, result.variants.index(n)) for n in ("base", variant)]
        changes = wave_times(side_of(result, "base"), side_of(result, variant))
    labels = sorted({*scene.bands_hz, *changes})
    judged = dict(zip(scene.bands_hz, plan.bench.target.is_judged, strict=True))
    parts, times = [], np.full((2, len(labels)), np.nan)
    errors = np.zeros(len(labels))
    for n, label in enumerate(labels):
        if judged.get(label):
            b = scene.bands_hz.index(label)
            pairs = [(float(s.t20_s[b]), float(s.t20_error_s[b])) for s in (before, after)]
            by, errors[n] = "", np.hypot(pairs[0][1], pairs[1][1])
        elif label in changes:
            pairs = [each[label] for each in waves]
            by, errors[n] = " by waves", changes[label][1]
        else:
            parts.append(f"{band_name(label)} not known")
            continue
        times[:, n] = [value for value, _ in pairs]
        said = " to ".join(_number(*pair) for pair in pairs)
        parts.append(f"{band_name(label)} {said}{by}")
    cure = "let the bass take part, with --bass"
    if plan.bench.bass is not None:
        cure = "the result tells, which was left out"
    told = balance_sentence(times, labels, errors, cure)
    return [f"Decay time in s: {', '.join(parts)}", *told]


def _number(value: float, error: float) -> str:
    """A value to the digits that its standard error leaves."""
    return " ± ".join(rounded(value, error))


def aim_words(plan: Plan, scene: Scene) -> list[str]:
    """What was aimed at, and who says so; what could not be judged."""
    target, bands = plan.bench.target, scene.bands_hz
    lines = []
    if target.is_judged.any():
        first = int(np.flatnonzero(target.is_judged)[-1])
        lines.append(
            f"Aim: decay time {target.low[first]:.2f} to {target.high[first]:.2f} s at "
            f"{band_name(bands[first])} ({criteria.DECAY_SOURCE}; not less than 0.2 s in the mean, "
            f"{criteria.DECAY_RANGE_SOURCE}), even over bands, left and right alike; early "
            f"reflections {-criteria.REFLECTION_LEVEL_DB:g} dB below the direct sound"
        )
    silent = [band_name(f) for b, f in enumerate(bands) if not target.is_judged[b]]
    bass = plan.bench.bass
    if bass is not None:
        lines.append(
            f"Bass in the aim, by waves: modes up to {bass.modes_to_hz:.0f} Hz ring no longer than "
            f"is heard ({modal_decay.SOURCE}), as they are driven and heard at the seat; levels "
            "over the head zone even"
        )
        if any(site.name in bass.objects for site in (step.site for step in plan.kept)):
            lines.append(
                "Corner traps and clouds reacted at their faces in the search, which is quicker; "
                "the result has porous ones as volumes: believe that one"
            )
    elif silent:
        lines.append(
            f"Not judged at {', '.join(silent)}: rays mean little there, and without --bass the "
            "bass decides nothing"
        )
    return [*lines, f"Weights: {plan.bench.weighted}"]


def remaining_words(result: Result, variant: str, coverable: Sequence[str]) -> list[str]:
    """Early reflections that stay above the criterion, and which of them no panel can cure."""
    index = result.variants.index(variant)
    above = [
        one
        for one in early_reflections(result)
        if one.reflection.variant == index and one.is_met is False
    ]
    cured: list[str] = []
    stuck: list[str] = []
    for path, members in by_surface(tuple(above)).items():
        level = f"{path} ({tidy(members[0].level_db, 1)} dB after "
        level += f"{1000 * members[0].reflection.delay_s:.1f} ms)"
        surfaces = path.split(", ")
        (cured if any(s in coverable for s in surfaces) else stuck).append(level)
    lines = []
    if stuck:
        lines.append(f"Not curable by panels: {'; '.join(stuck[:MOST_SURFACES])}")
    if cured:
        lines.append(
            f"Still less than 10 dB below the direct sound: {'; '.join(cured[:MOST_SURFACES])}"
        )
    return lines


def left_out_words(plan: Plan) -> list[str]:
    """Items that are not used, and why."""
    return [f"Left out: '{name}': {why}" for name, why in plan.left_out.items()]


def warning_words(warned: Sequence[Warned]) -> list[str]:
    """Each warning with the name that dismisses it."""
    return [f"Mind: {one.sentence} [{one.name}]" for one in warned if one.name not in SEAT_FIRST]


def caution_words(scene: Scene, variant: str) -> list[str]:
    """Cautions that what is in the plan calls for."""
    return [f"Caution: {sentence}" for sentence in cautions(scene, [variant])]


def coverable(plan: Plan) -> list[str]:
    """Surfaces on which some candidate could hang."""
    scene = plan.bench.workshop.scene
    facets = {
        piece.treatment.facet
        for pieces in plan.bench.pieces.values()
        for piece in pieces
        if not piece.treatment.is_object
    }
    return sorted({scene.surfaces[scene.facets[k].surface].name for k in facets})


def aim_bass_words(plan: Plan) -> list[str]:
    """What the plan does to the bass in the aim, in the aim's own steps."""
    before, after = plan.states[0], plan.states[plan.stop]
    columns = plan.bench.columns
    return [
        f"Bass, {column.words}: {_number(before.off[c], before.off_error[c])} to "
        f"{_number(after.off[c], after.off_error[c])} steps off"
        for c, column in enumerate(columns)
        if column.part in BASS_PARTS
    ]


def bass_words(result: Result, variant: str) -> list[str]:
    """What the plan changes in the bass at the seats, where the bass was computed."""
    change = bass_change(side_of(result, "base"), side_of(result, variant))
    if change is None:
        return []
    lines = _mode_lines(change)
    for r, receiver in enumerate(change.receivers):
        lines += evenness_words(*change.even, r, receiver)
    for b, label in enumerate(change.bands_hz):
        times, spreads = change.t20_s[:, :, b], change.t20_spread_s[:, :, b]
        if not np.isfinite(times).all():
            continue
        pairs = zip(times.mean(axis=1), spreads.mean(axis=1), strict=True)
        said = " to ".join(_number(float(t), float(s)) for t, s in pairs)
        lines.append(
            f"Bass decay at {band_name(label)}: {said} s (± over the head zone and sources)"
        )
    return lines


def _mode_lines(change: BassChange) -> list[str]:
    """The modes that are heard and change most, each with its decay time before and after."""
    moved = [
        (before.decay_time_s / after.decay_time_s, before, after)
        for before, after in change.modes
        if after is not None and np.abs(before.at_receivers).max() >= QUIET
        and np.abs(before.at_sources).max() >= QUIET
    ]  # fmt: skip
    moved = sorted(moved, key=lambda one: -one[0])[:MOST_MODES]
    moved = [one for one in moved if one[0] > 1 + STEP_SHARE]
    if not moved:
        return ["Bass: no mode that is heard at the seat rings noticeably shorter"]
    said = []
    for _, before, after in sorted(moved, key=lambda one: one[1].frequency_hz):
        one, other = (
            _number(m.decay_time_s, DECAY_SHARE * m.decay_time_s) for m in (before, after)
        )
        said.append(f"{before.frequency_hz:.0f} Hz {one} to {other} s")
    return [f"Modes that ring shorter: {', '.join(said)}"]
