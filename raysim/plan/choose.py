"""Which candidates to take: exact values decide, an additive guess only says where to look.

Knows sets, money and numbers; nothing of rooms.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from raysim.estimate import jackknife_error

Array = NDArray[np.float64]
Chosen = frozenset[str]

SURE = 2.0
"""A gain counts if it is more than so many standard errors."""
LOOKED_AT = 24
LEAST_COST = 1e-6
ROUNDS = 12
FEW = 40
ROUNDING = 1e-9


@dataclass(frozen=True)
class Candidate:
    """Something in its place, or a pair left and right.

    Attributes
    ----------
    name, item : str
    cost : float
    weight_kg : float
        0 where not known.
    things : int
        To put up.
    pieces : int
        Of the item's stock.
    blocks : frozenset of str
        Candidates that would be in its way.
    """

    name: str
    item: str
    cost: float
    weight_kg: float = 0.0
    things: int = 1
    pieces: int = 1
    blocks: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Caps:
    """What a set may take; None for no limit. `stock` is by item."""

    budget: float | None = None
    count: int | None = None
    weight_kg: float | None = None
    stock: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """What a set comes to.

    Attributes
    ----------
    off : float
        How far off the aim, weighted noticeable steps.
    left_out : (batches,) float
        The same without each batch in turn.
    is_refused : bool
        It may not be: deader than the lower limit.
    error : float
        What the method leaves open beside the batches, other for every set.
    """

    off: float
    left_out: Array
    is_refused: bool = False
    error: float = 0.0

    @property
    def standard_error(self) -> float:
        """Of `off`."""
        return float(np.hypot(jackknife_error(self.left_out), self.error))

    def gain_over(self, other: Outcome) -> tuple[float, float]:
        """By how much it is nearer to the aim than another, and the standard error."""
        sampled = float(jackknife_error(other.left_out - self.left_out))
        return other.off - self.off, float(np.hypot(sampled, np.hypot(self.error, other.error)))


@contextmanager
def _silence() -> Iterator[None]:
    """HiGHS has a line of its own for some problems, past all options: it would spoil JSON."""
    sys.stdout.flush()
    kept = os.dup(1)
    try:
        with open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), 1)
            yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


Evaluate = Callable[[Sequence[Chosen]], list[Outcome]]


class Search:
    """Search among candidates within caps.

    Parameters
    ----------
    fixed : frozenset of str
        Always in the set, such as those of an earlier phase.
    is_exhaustive : bool
        Compute every set where there are at most FEW.
    """

    def __init__(
        self,
        candidates: Sequence[Candidate],
        caps: Caps,
        evaluate: Evaluate,
        fixed: Chosen = frozenset(),
        told: Callable[[str, float], None] = lambda _stage, _fraction: None,
        is_exhaustive: bool = True,
    ) -> None:
        self.of = {one.name: one for one in candidates}
        self.caps, self.fixed, self.told = caps, fixed, told
        self._evaluate, self.is_exhaustive = evaluate, is_exhaustive
        self._known: dict[Chosen, Outcome] = {}

    def outcome(self, chosen: Chosen) -> Outcome:
        """Exact value of a set."""
        return self.outcomes([chosen])[0]

    def outcomes(self, sets: Iterable[Chosen], on_one_trace: bool = False) -> list[Outcome]:
        """Exact values of sets, those not known computed together, or all `on_one_trace`.

        Sets of one trace share all random numbers, so their differences are known best.
        """
        wanted = list(sets)
        new = [one for one in dict.fromkeys(wanted) if on_one_trace or one not in self._known]
        if new:
            self._known |= dict(zip(new, self._evaluate(new), strict=True))
        return [self._known[one] for one in wanted]

    def is_feasible(self, chosen: Chosen) -> bool:
        """Whether a set keeps the caps and nothing in it is in the way of another."""
        own = [self.of[name] for name in sorted(chosen)]
        if any(one.blocks & chosen for one in own):
            return False
        caps = self.caps
        for limit, sum_of in (
            (caps.budget, sum(one.cost for one in own)),
            (caps.count, sum(one.things for one in own)),
            (caps.weight_kg, sum(one.weight_kg for one in own)),
        ):
            if limit is not None and sum_of > limit + ROUNDING:
                return False
        return all(
            sum(one.pieces for one in own if one.item == item) <= stock
            for item, stock in caps.stock.items()
        )

    def run(self) -> Chosen:
        """The best set that the search finds, without members that don't earn their place.

        Three starts, grown member by member by gain, by gain for the money, and from the additive
        programme; the best is
        improved by adding, exchanging and leaving out, one at a time, as long as that gains more
        than its standard error, for of many the best is a lucky one; last
        what gains less than SURE standard errors is taken out. Where few sets are feasible all
        are computed instead.
        """
        every = self._every()
        if every is not None:
            self.told("trying every set", 0.1)
            self.outcomes([self.fixed, *every], on_one_trace=True)
            return self.pruned(min([self.fixed, *every], key=self._off))
        singles = [self.fixed | {name} for name in sorted(self.of) if name not in self.fixed]
        singles = [one for one in singles if self.is_feasible(one)]
        self.told("trying each candidate", 0.1)
        self.outcomes([self.fixed, *singles])
        guesses = [self._grown(), self._programmed()]
        if self.caps.budget is not None:
            guesses.append(self._grown(by_money=True))
        found = min(guesses, key=self._off)
        for number in range(ROUNDS):
            self.told("exchanging", 0.5 + 0.4 * number / ROUNDS)
            better = self._neighbour(found)
            if better is None:
                break
            found = better
        return self.pruned(found)

    def pruned(self, chosen: Chosen) -> Chosen:
        """Without those, the least first, whose removal changes the aim by less than its error."""
        while removable := sorted(chosen - self.fixed):
            sets = [chosen, *(chosen - {name} for name in removable)]
            whole, *others = self.outcomes(sets, on_one_trace=True)
            sure = []
            for one in others:
                gain, error = whole.gain_over(one)
                sure.append(gain - SURE * error)
            least = int(np.argmin(sure))
            if sure[least] > 0:
                break
            chosen = chosen - {removable[least]}
        return chosen

    def ordered(self, chosen: Chosen) -> list[str]:
        """Members in the order of what each adds most to those before it, fixed ones first."""
        order = sorted(chosen & self.fixed)
        while rest := sorted(chosen - set(order)):
            sets = [frozenset({*order, name}) for name in rest]
            offs = [one.off for one in self.outcomes(sets)]
            order.append(rest[int(np.argmin(offs))])
        return order

    def _every(self) -> list[Chosen] | None:
        """All feasible sets, if they are few."""
        if not self.is_exhaustive:
            return None
        found, fresh = [], [self.fixed]
        names = [name for name in sorted(self.of) if name not in self.fixed]
        while fresh:
            grown = {one | {name} for one in fresh for name in names if name not in one}
            fresh = sorted((one for one in grown if self.is_feasible(one)), key=sorted)
            found += fresh
            if len(found) > FEW:
                return None
        return found

    def _off(self, chosen: Chosen) -> float:
        outcome = self.outcome(chosen)
        return np.inf if outcome.is_refused and chosen != self.fixed else outcome.off

    def _grown(self, by_money: bool = False) -> Chosen:
        """Greedy: the best addition, again and again; the most promising are looked at.

        By gain, or by gain for the money: together with the best single one the latter comes to
        at least 1 - 1/sqrt(e) of the best where gains shrink as sets grow (Lin and Bilmes 2010).
        """
        cost = {n: max(one.cost, LEAST_COST) if by_money else 1.0 for n, one in self.of.items()}
        chosen = self.fixed
        start = self.outcome(chosen).off
        promise = {
            name: start - self._off(chosen | {name})
            for name in self.of
            if name not in chosen and self.is_feasible(chosen | {name})
        }
        while True:
            able = [name for name in sorted(promise, key=lambda n: (-promise[n] / cost[n], n))
                    if name not in chosen and self.is_feasible(chosen | {name})]  # fmt: skip
            able = able[:LOOKED_AT]
            sets = [chosen | {name} for name in able]
            self.told("growing a set", min(0.45, 0.1 + 0.04 * len(chosen)))
            self.outcomes(sets)
            before = self._off(chosen)
            promise |= {n: before - self._off(one) for n, one in zip(able, sets, strict=True)}
            best = max(able, key=lambda n: promise[n] / cost[n], default="")
            if not best or promise[best] <= 0:
                return chosen
            chosen = chosen | {best}

    def _programmed(self) -> Chosen:
        """Best set if gains added up: a 0-1 programme (scipy's HiGHS)."""
        names = [name for name in sorted(self.of) if name not in self.fixed]
        start = self.outcome(self.fixed).off
        able = [name for name in names if self.is_feasible(self.fixed | {name})]
        gains = np.array([start - self._off(self.fixed | {name}) for name in able])
        kept = [name for name, gain in zip(able, gains, strict=True) if gain > 0]
        if not kept:
            return self.fixed
        value = np.array([g for g in gains if g > 0])
        own = [self.of[name] for name in kept]
        taken = [self.of[name] for name in self.fixed]
        rows, most = [], []
        for limit, key in ((self.caps.budget, "cost"), (self.caps.count, "things"),
                           (self.caps.weight_kg, "weight_kg")):  # fmt: skip
            if limit is not None:
                rows.append([getattr(one, key) for one in own])
                most.append(limit - sum(getattr(one, key) for one in taken) + ROUNDING)
        for item, stock in self.caps.stock.items():
            rows.append([one.pieces * (one.item == item) for one in own])
            most.append(stock - sum(one.pieces for one in taken if one.item == item))
        for k, one in enumerate(own):
            for m in range(k):
                if own[m].name in one.blocks:
                    rows.append([float(n in (k, m)) for n in range(len(own))])
                    most.append(1.0)
        limits = [LinearConstraint(np.array(rows), ub=np.array(most))] if rows else []
        with _silence():
            solved = milp(-value, constraints=limits, integrality=1, bounds=Bounds(0, 1))
        if solved.x is None:
            return self.fixed
        found = self.fixed | {n for n, x in zip(kept, solved.x, strict=True) if x > 0.5}
        return found if self.is_feasible(found) else self.fixed

    def _neighbour(self, chosen: Chosen) -> Chosen | None:
        """The best set one step away, if it is better; the most promising are looked at."""
        start = self.outcome(self.fixed).off
        promise = {
            name: start - self._known[alone].off if (alone := self.fixed | {name}) in self._known
            else 0.0 for name in self.of
        }  # fmt: skip
        free = [name for name in sorted(self.of) if name not in chosen]
        loose = sorted(chosen - self.fixed)
        steps = [(promise[name], chosen | {name}) for name in free]
        steps += [(-promise[name], chosen - {name}) for name in loose]
        steps += [
            (promise[new] - promise[old], (chosen - {old}) | {new}) for new in free for old in loose
        ]
        able = [step for step in steps if self.is_feasible(step[1])]
        able.sort(key=lambda step: -step[0])
        looked_at = [one for _, one in able[:LOOKED_AT]]
        looked_at += [chosen - {name} for name in loose]
        if not looked_at:
            return None
        self.outcomes([chosen, *looked_at], on_one_trace=True)
        best = min(looked_at, key=self._off)
        gain, error = self.outcome(best).gain_over(self.outcome(chosen))
        return best if self._off(best) < np.inf and gain > max(error, ROUNDING) else None
