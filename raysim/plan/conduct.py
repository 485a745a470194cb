"""From a room and a catalogue to a plan: survey, rank, choose, order, stop."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from raysim.errors import SceneError
from raysim.plan.bass import BassBench
from raysim.plan.catalogue import Catalogue, Item, Limits
from raysim.plan.choose import SURE, Candidate, Caps, Chosen, Search
from raysim.plan.measure import Bench, Measured
from raysim.plan.places import Site, in_the_way, survey
from raysim.plan.rank import most_promising, promise
from raysim.plan.stop import stop_after
from raysim.scene.workshop import Workshop

Told = Callable[[str, float], None]
RAYS = 32768
CANDIDATES = 60
SETTLING = 4


@dataclass(frozen=True)
class Step:
    """A line of the plan.

    Attributes
    ----------
    site : Site
    phase : int
    spent : float
        Up to here, this one included.
    gain, error : float
        By how much it brings the room nearer to the aim after those before it, in weighted
        noticeable steps, and the standard error of that.
    """

    site: Site
    phase: int
    spent: float
    gain: float
    error: float


@dataclass(frozen=True)
class Plan:
    """What to put up, in which order, and where to stop.

    Attributes
    ----------
    steps : tuple of Step
        In order; those from `stop` on bring nothing that could be noticed.
    stop : int
    states : tuple of Measured
        The room after 0, 1, ... steps, on one trace.
    removal : tuple of (float, float)
        By how much the aim worsens without each of the first `stop` steps, and its error.
    regret : tuple of float, float or None
        By how much a plan made for the last budget at once would be better, with its error; None
        without phases.
    left_out : dict of item name to str
        Why an item is not in the plan.
    evaluated : int
        Sets computed.
    """

    bench: Bench
    limits: Limits
    steps: tuple[Step, ...]
    stop: int
    states: tuple[Measured, ...]
    removal: tuple[tuple[float, float], ...]
    regret: tuple[float, float] | None
    left_out: dict[str, str]
    candidates: int
    evaluated: int

    @property
    def kept(self) -> tuple[Step, ...]:
        """Steps up to the stop line."""
        return self.steps[: self.stop]


def make_plan(
    workshop: Workshop,
    catalogue: Catalogue,
    limits: Limits,
    rays: int = RAYS,
    seed: int = 1,
    most: int = CANDIDATES,
    threads: int | None = None,
    told: Told = lambda _stage, _fraction: None,
    with_bass: bool = False,
) -> Plan:
    """Choose treatments for a room.

    Parameters
    ----------
    workshop : Workshop
    catalogue : Catalogue
    limits : Limits
        In place of those of the catalogue.
    rays : int
        A source and run.
    most : int
        Candidates that are computed; the most promising of all places.
    with_bass : bool
        Let ringing and levels of the bass take part in the aim.

    Raises
    ------
    SceneError
        Nothing of the catalogue may hang anywhere; with what would make it possible.
    ResultError
        Nothing of the aim can be computed.
    """
    told("looking for places", 0.0)
    found = survey(workshop, catalogue.items, limits)
    if not found.sites:
        raise SceneError([_no_place(workshop, catalogue.items, limits, found.left_out)])
    pieces = {site.name: site.pieces for site in found.sites}
    bass = None
    if with_bass:
        told("computing the modes of the room", 0.02)
        bass = BassBench(workshop, pieces)
    told("computing the bare room and its maps", 0.05)
    bench = Bench(workshop, pieces, catalogue.weights, rays, seed, threads, bass)
    promised = promise(workshop, bench.base_result, catalogue.weights, found.sites, bass)
    sites = most_promising(found.sites, promised, most)
    left_out = dict(found.left_out)
    if bass is not None:
        bass.keep([site.name for site in sites])
    if limits.weight_kg is not None:
        for site in sites:
            if site.weight_kg is None:
                left_out[site.item.name] = (
                    "its weight isn't known, and weight is limited; give 'weight'"
                )
        sites = [site for site in sites if site.weight_kg is not None]
        if not sites:
            raise SceneError(["limits.weight: no item of the catalogue has a known weight"])
    chooser = _Chooser(bench, sites, limits, told)
    chosen_by_phase = chooser.by_phase()
    order = chooser.ordered(chosen_by_phase)
    return chooser.settled(order, left_out)


class _Chooser:
    """Searches of a plan: one a phase."""

    def __init__(self, bench: Bench, sites: Sequence[Site], limits: Limits, told: Told) -> None:
        self.bench, self.limits, self.told = bench, limits, told
        self.site = {site.name: site for site in sites}
        blocks = in_the_way(sites)
        self.candidates = [
            Candidate(
                site.name,
                site.item.name,
                site.cost,
                site.weight_kg or 0.0,
                len(site.sections),
                len(site.pieces),
                blocked,
            )
            for site, blocked in zip(sites, blocks, strict=True)
        ]
        self.stock = {s.item.name: s.item.have for s in sites if s.item.have is not None}
        self.regret: tuple[float, float] | None = None

    def _search(self, budget: float | None, fixed: Chosen = frozenset()) -> Search:
        caps = Caps(budget, self.limits.count, self.limits.weight_kg, self.stock)
        return Search(self.candidates, caps, self.bench.outcomes, fixed, self.told)

    def by_phase(self) -> list[Chosen]:
        """Sets at the end of each phase, each in the next."""
        budgets: Sequence[float | None] = self.limits.budgets or (None,)
        sets: list[Chosen] = []
        for budget in budgets:
            sets.append(self._search(budget, sets[-1] if sets else frozenset()).run())
        if len(budgets) > 1:
            free = self._search(budgets[-1]).run()
            one, other = self.bench.outcomes([free, sets[-1]])
            self.regret = one.gain_over(other)
        return sets

    def ordered(self, sets: Sequence[Chosen], phases: Sequence[int] = ()) -> list[tuple[str, int]]:
        """Names and phases, each phase's in the order of what they add."""
        order: list[tuple[str, int]] = []
        numbers = phases or range(1, len(sets) + 1)
        for phase, chosen in zip(numbers, sets, strict=True):
            before = frozenset(name for name, _ in order)
            search = self._search(None, before)
            new = [name for name in search.ordered(chosen) if name not in before]
            order += [(name, phase) for name in new]
        return order

    def settled(self, order: list[tuple[str, int]], left_out: dict[str, str]) -> Plan:
        """The plan with its stop line; what doesn't earn its place before it goes."""
        for _ in range(SETTLING):
            names = [name for name, _ in order]
            prefixes = [frozenset(names[:k]) for k in range(len(names) + 1)]
            self.told("drawing the stop line", 0.95)
            states = self.bench.measure(prefixes)
            stop = stop_after(
                [s.off for s in states], [s.left_out for s in states], np.sqrt(2) * states[0].error
            )
            removal = self._removal(names[:stop])
            idle = [n for n, (loss, error) in zip(names, removal, strict=False)
                    if loss <= SURE * error]  # fmt: skip
            if not idle:
                break
            worst = min(idle, key=lambda n: removal[names.index(n)][0])
            phases = sorted({phase for _, phase in order})
            order = self.ordered(
                [
                    frozenset(name for name, own in order if own <= phase and name != worst)
                    for phase in phases
                ],
                phases,
            )
        steps = self._steps(order, states)
        used = {step.site.item.name for step in steps[:stop]}
        self._explain(frozenset(names[:stop]), used, left_out)
        return Plan(
            self.bench,
            self.limits,
            steps,
            stop,
            tuple(states),
            tuple(removal),
            self.regret,
            left_out,
            len(self.candidates),
            self.bench.evaluated,
        )

    def _removal(self, names: Sequence[str]) -> list[tuple[float, float]]:
        if not names:
            return []
        whole = frozenset(names)
        with_all, *without = self.bench.outcomes([whole, *(whole - {n} for n in names)])
        return [with_all.gain_over(one) for one in without]

    def _steps(
        self, order: Sequence[tuple[str, int]], states: Sequence[Measured]
    ) -> tuple[Step, ...]:
        by_column = self.bench.by_column
        steps, spent = [], 0.0
        for k, (name, phase) in enumerate(order):
            before, after = (states[m].outcome(by_column) for m in (k, k + 1))
            gain, error = after.gain_over(before)
            spent += self.site[name].cost
            steps.append(Step(self.site[name], phase, spent, gain, error))
        return tuple(steps)

    def _explain(self, chosen: Chosen, used: set[str], left_out: dict[str, str]) -> None:
        """Say of each item that isn't used what the best of its places would still bring."""
        items = {site.item.name for site in self.site.values()} - used - set(left_out)
        budget = self.limits.budgets[-1] if self.limits.budgets else None
        search = self._search(budget)
        for item in sorted(items):
            own = [n for n, s in self.site.items() if s.item.name == item]
            able = [n for n in own if search.is_feasible(chosen | {n})]
            if not able:
                left_out[item] = "within the limits nothing of it fits beside what is chosen"
                continue
            base, *more = self.bench.outcomes([chosen, *(chosen | {n} for n in able)])
            gains = [one.gain_over(base) for one in more]
            best = int(np.argmax([gain for gain, _ in gains]))
            gain, error = gains[best]
            dead = ", and some band would be deader than the lower limit" * more[best].is_refused
            left_out[item] = (
                f"the best of its places would bring {gain:.1f} ± {error:.1f} steps more{dead}"
            )


def _no_place(
    workshop: Workshop, items: Sequence[Item], limits: Limits, left_out: dict[str, str]
) -> str:
    """Why nothing may hang anywhere, and the smallest change that would allow something."""
    reasons = "; ".join(f"'{name}': {reason}" for name, reason in left_out.items())
    said = f"{workshop.path}: no plan is possible: {reasons}"
    priced = [i.keys.get("cost") or 0.0 for i in items if not i.owned]
    soft = [zone.name for zone in workshop.scene.keep_clear if not zone.hard]
    relaxed: list[tuple[str, Limits, list[str]]] = []
    if limits.budgets and priced:
        least = min(priced)
        relaxed.append((f"with a budget of {least:g}", replace(limits, budgets=(least,)), []))
    if not limits.drilling:
        relaxed.append(("with drilling allowed", replace(limits, drilling=True), []))
    if limits.depth_m is not None:
        relaxed.append(("with more depth allowed", replace(limits, depth_m=None), []))
    if soft:
        for given_up in [*([name] for name in soft), soft]:
            named = " and ".join(f"'{name}'" for name in given_up)
            relaxed.append((f"with {named} given up", limits, given_up))
    relaxed.append(("with all limits lifted", Limits(), soft))
    for words, wider, zones in relaxed:
        over = [_over(item, zones) for item in items]
        sites = survey(workshop, over, wider).sites
        if sites:
            site = min(sites, key=lambda one: one.cost)
            return f"{said}; nearest that is: {words}, '{site.item.name}' at {site.where[0]}"
    return f"{said}; nothing of the catalogue fits into this room; add smaller things to it"


def _over(item: Item, zones: Sequence[str]) -> Item:
    return replace(item, keys={**item.keys, "override": list(zones)}) if zones else item
