"""Two variants side by side: differences, verdicts, an overall word, and what each costs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from raysim.errors import ResultError
from raysim.quantities.differences import Difference, differences
from raysim.quantities.ranges import Spread, input_spreads
from raysim.quantities.reflections import EarlyReflection, early_reflections
from raysim.quantities.sides import Common, Side, common_of, pairing, side_of
from raysim.quantities.verdicts import (
    BETTER,
    DIFFERS,
    SAME,
    UNSURE,
    WORSE,
    Verdict,
    aims,
    judge,
    level_of,
    p_values,
)
from raysim.results.data import Result
from raysim.scene.shopping import Sum, shopping

MIXED = "better in part, worse in part"
AIMED = ("T20", "reflection", "T ratio", "match")


@dataclass(frozen=True)
class Judged:
    """A difference, its verdicts [place][column], and what the inputs leave open of it."""

    difference: Difference
    verdicts: list[list[Verdict]]
    spread: Spread | None


@dataclass(frozen=True)
class Comparison:
    """What changes from one variant to another.

    Attributes
    ----------
    before, after : Side
    is_paired : bool
    pairing : str
        How the errors of differences were found, in words.
    bands_hz : tuple of float
        Common to both.
    judged : tuple of Judged
    strongest : tuple of (str, str, str)
        Receiver, and what makes its strongest early reflection before and after: 'left by window'.
    sums : pair of Sum or None
        What is in each and what it costs; None without treatments in the scene.
    level : float
        Of the intervals that the verdicts rest on, so that of all verdicts given together at most
        `verdicts.FALSE_DISCOVERY_RATE` are expected to be wrong.
    together : int
        Number of those verdicts, of all variants compared.
    """

    before: Side
    after: Side
    is_paired: bool
    pairing: str
    bands_hz: tuple[float, ...]
    judged: tuple[Judged, ...]
    strongest: tuple[tuple[str, str, str], ...]
    sums: tuple[Sum | None, Sum | None]
    level: float
    together: int

    def of(self, key: str) -> list[Judged]:
        """Those of one key; the ratio of decay times has two."""
        return [one for one in self.judged if one.difference.key == key]

    def words(self) -> dict[str, list[str]]:
        """What each word of a verdict was given for in the first place: 'T20 at 500 Hz'."""
        found: dict[str, list[str]] = {}
        for judged, column, verdict in self._aimed():
            found.setdefault(verdict.word, []).append(_label(judged.difference, column))
        return found

    @property
    def overall(self) -> str:
        """BETTER, WORSE, MIXED, UNSURE, DIFFERS or SAME.

        From the quantities that have an aim; where none of those speaks, from the others.
        """
        words = set(self.words())
        if {BETTER, WORSE} <= words:
            return MIXED
        for word in (BETTER, WORSE, UNSURE, DIFFERS):
            if word in words:
                return word
        others = {v.word for one in self.judged for v in one.verdicts[0]}
        return next((word for word in (DIFFERS, UNSURE) if word in others), SAME)

    @property
    def times_rays(self) -> float | None:
        """How many times the rays would decide what more rays can decide of `AIMED`."""
        times = [v.times_rays for _, _, v in self._aimed() if v.times_rays is not None]
        return max(times, default=None)

    def _aimed(self) -> Iterator[tuple[Judged, int, Verdict]]:
        for one in self.judged:
            if one.difference.key in AIMED:
                for column, verdict in enumerate(one.verdicts[0]):
                    yield one, column, verdict


def compare(before: Side, after: Side) -> Comparison:
    """Compare two variants, of one result or of two.

    Raises
    ------
    ResultError
        They have no source, receiver or band in common.
    """
    return _compare_all(before, [after])[0]


@dataclass(frozen=True)
class _Measured:
    """Differences of two sides before they are judged."""

    common: Common
    differences: tuple[Difference, ...]
    spreads: dict[str, Spread]


def _compare_all(before: Side, others: Sequence[Side]) -> tuple[Comparison, ...]:
    measured = [_measure(before, after) for after in others]
    chances = [p_values(d, m.spreads.get(d.key)) for m in measured for d in m.differences]
    level, together = level_of(chances)
    return tuple(
        _judged(before, after, m, level, together)
        for after, m in zip(others, measured, strict=True)
    )


def _measure(before: Side, after: Side) -> _Measured:
    common = common_of(before, after)
    found = differences(before, after)
    return _Measured(common, found, input_spreads(before, after, common, found))


def _judged(
    before: Side, after: Side, measured: _Measured, level: float, together: int
) -> Comparison:
    is_paired, words = pairing(before, after)
    bands_hz, volume = measured.common.bands_hz, before.scene.volume
    judged = []
    for one in measured.differences:
        aim = aims(one.key, volume, bands_hz, len(one.columns))
        spread = measured.spreads.get(one.key)
        judged.append(Judged(one, judge(one, aim, spread, level), spread))
    return Comparison(
        before,
        after,
        is_paired,
        words,
        bands_hz,
        tuple(judged),
        strongest=tuple(
            (name, _strongest(before, name), _strongest(after, name))
            for name in measured.common.receiver_names
        ),
        sums=(_sum(before), _sum(after)),
        level=level,
        together=together,
    )


def _strongest(side: Side, receiver: str) -> str:
    worst = strongest_at(side, receiver)
    if worst is None:
        return "none"
    return f"{side.scene.sources[worst.reflection.source].name} by {worst.path}"


def strongest_at(side: Side, receiver: str) -> EarlyReflection | None:
    """The strongest early reflection that is judged at a receiver."""
    seats = [one.name for one in side.scene.receivers]
    judged = [
        one
        for one in early_reflections(side.result)
        if one.is_met is not None and seats[one.reflection.receiver] == receiver
    ]
    return max(judged, key=lambda one: one.level_db, default=None)


def _sum(side: Side) -> Sum | None:
    return next(iter(shopping(side.origin.scene, [side.variant])), None)


def compare_variants(
    result: Result,
    other: Result | None = None,
    variants: Sequence[str] = (),
    names: tuple[str, str] = ("result", "other result"),
) -> tuple[Comparison, ...]:
    """Compare the first variant with the others.

    Parameters
    ----------
    result : Result
    other : Result, optional
        Holds the variants that are compared with the first of `result`.
    variants : sequence of str
        The first is of `result`. By default its first against all others, of `other` if given.
    names : pair of str
        Of the files, for errors and to tell equal variants apart.

    Raises
    ------
    ResultError
        A name is none of a variant; there is nothing to compare with, or only itself.
    """
    first = variants[0] if variants else result.variants[0]
    source = result if other is None else other
    following = list(dict.fromkeys(variants[1:])) or [
        name for name in source.variants if other is not None or name != first
    ]
    if not following:
        raise ResultError(
            f"{names[0]}: '{first}' is its only variant; give another result beside it, or run "
            "the scene with its variants"
        )
    if other is None and first in following:
        others = ", ".join(f"'{name}'" for name in result.variants if name != first)
        cure = f"compare it with {others}" if others else "run the scene with its variants"
        raise ResultError(
            f"{names[0]}: '{first}' is named twice, and nothing differs from itself; {cure}"
        )
    if other is None:
        before = side_of(result, first, where=names[0])
        return _compare_all(before, [side_of(result, n, where=names[0]) for n in following])
    before = side_of(result, first, f"{first} ({names[0]})", names[0])
    return _compare_all(
        before, [side_of(other, name, f"{name} ({names[1]})", names[1]) for name in following]
    )


def _label(one: Difference, column: int) -> str:
    """What a verdict is about: 'T20 at 500 Hz'."""
    if len(one.columns) == 1:
        return one.key if one.key != "T ratio" else f"T20 of {one.columns[0]}"
    return f"{one.key} at {one.columns[column]}"
