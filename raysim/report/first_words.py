"""The first page in plain words, 150 at most: what is wrong, what first, what it costs and does."""

from __future__ import annotations

from collections.abc import Sequence

from raysim.quantities.comparison import Comparison
from raysim.quantities.verdicts import BETTER, WORSE
from raysim.report.listed import Listed, delay_in_words
from raysim.results.data import Result
from raysim.scene.shopping import Sum
from raysim.scene.sizes import STATED_RANGE_M3
from raysim.units import counted

MOST_WORDS = 150
PLAIN = {
    "T20": "how long sound lasts",
    "T ratio": "evenness of low and high",
    "match": "left against right",
}
OTHERWISE = "the strongest early reflection"
BOXY = (
    "So small a room sounds boxy: a few low notes ring far apart, and decay times from rays mean "
    "little. Thick absorption helps, 10 cm and more with air behind; thin foam takes highs "
    "alone."
)


def first_words(
    result: Result, listed: Sequence[Listed], compared: Sequence[Comparison]
) -> list[tuple[str, str]]:
    """Headed sentences.

    Parameters
    ----------
    listed : sequence of Listed
        Reflections at the first receiver of the first variant.
    compared : sequence of Comparison
        Of the first variant with each other one; the last is taken as the plan.
    """
    said = [("Boxy", BOXY)] if result.scene.volume < STATED_RANGE_M3[0] else []
    worst = _worst(listed)
    plan = compared[-1] if compared else None
    total = plan.sums[1] if plan is not None else None
    said += [("Wrong", _wrong(result, worst)), ("First", _first(result, worst, total))]
    said.append(("Cost", _cost(total)))
    if plan is not None:
        said.append(("Will change", _change(plan)))
    said.append(("Won't change", _stays(result)))
    return [(head, text) for head, text in said if text]


def count_words(said: Sequence[tuple[str, str]]) -> int:
    """Words of heads and sentences."""
    return sum(len(head.split()) + len(text.split()) for head, text in said)


def _worst(listed: Sequence[Listed]) -> Listed | None:
    early = [one for one in listed if one.is_early and one.is_met is not None]
    return max(early, key=lambda one: one.level_db, default=None)


def _owner(result: Result, worst: Listed) -> str:
    scene = result.scene_in(0)
    facet = scene.facets[worst.reflection.facets[0]]
    owner = scene.surfaces[facet.surface].owner
    return scene.surfaces[facet.surface].name if owner == "room" else owner


def _is_object(result: Result, worst: Listed) -> bool:
    scene = result.scene_in(0)
    return any(
        scene.surfaces[scene.facets[f].surface].owner != "room" for f in worst.reflection.facets
    )


def _wrong(result: Result, worst: Listed | None) -> str:
    if worst is None:
        return "No early reflection could be judged."
    if worst.is_met:
        return "Early reflections are weak enough: nothing on the walls needs covering for them."
    name = _owner(result, worst)
    return (
        f"“{name}” throws sound at your head {delay_in_words(result.scene, worst.reflection)} "
        "after the loudspeaker itself, loud enough to colour what you hear. It is the strongest "
        "such reflection."
    )


def _first(result: Result, worst: Listed | None, total: Sum | None) -> str:
    if len(result.scene.sources) > 1:
        free = "let the program look for better places for loudspeakers and chair (raysim place)"
    elif result.bass is None:
        free = "see which notes ring (raysim run --bass), and move to where they are weak"
    else:
        free = "move to where the notes listed under the bass are weak"
    if worst is None or worst.is_met:
        return f"Free: {free}."
    if _is_object(result, worst):
        name = _owner(result, worst)
        return (
            f"Free: move, lower or tilt “{name}”; no panel on a wall helps against it. Then {free}."
        )
    if total is None or not total.pieces:
        return f"Free: {free}. Then cover the spot on “{_owner(result, worst)}” shown below."
    return f"Free: {free}. Then hang what the drawings show."


def _cost(total: Sum | None) -> str:
    if total is None or not total.pieces:
        return "Nothing: no treatment is planned here yet (raysim plan chooses one)."
    pieces = f"{counted(total.pieces, 'piece')} of “{total.variant}”"
    if total.unpriced == total.pieces:
        return f"Not known: {pieces} without a price."
    unpriced = f", {total.unpriced} of them without a price" if total.unpriced else ""
    return f"{total.cost:g} for {pieces}{unpriced}."


def _change(plan: Comparison) -> str:
    """Which judged quantities get better or worse, by their plain names."""
    better, worse = [], []
    for judged in plan.judged:
        name = PLAIN.get(judged.difference.key, OTHERWISE)
        words = {verdict.word for verdict in judged.verdicts[0]}
        if BETTER in words:
            better.append(name)
        if WORSE in words:
            worse.append(name)
    said = []
    if better:
        said.append(f"Better: {' and '.join(dict.fromkeys(better))}.")
    if worse:
        said.append(f"Worse somewhere: {' and '.join(dict.fromkeys(worse))}.")
    return " ".join(said) or "Nothing that you would notice for sure."


def _stays(result: Result) -> str:
    bass = "" if result.bass is None else " Bass holes at the chair are cured by moving it."
    return f"What neighbours hear: panels don't keep sound in.{bass}"
