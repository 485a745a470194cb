"""What changes between two variants of a room, with the error of each difference.

Two variants on one trace share all random numbers, so most of the error drops out of their
difference: its standard error is the jackknife's of the difference itself, not the sum of two.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.estimate import Estimate, jackknife_error, leave_one_out
from raysim.quantities.definitions import QUANTITIES, Histogram
from raysim.quantities.evaluation import (
    direct_energy,
    first_reason,
    of_pairs,
    undefined_reasons,
    withheld,
)
from raysim.quantities.reflections import criterion_bands, early_reflections, no_criterion_band
from raysim.quantities.sides import Common, Side, common_of, pairing
from raysim.scene import playing

Array = NDArray[np.float64]
Reasons = NDArray[np.object_]
Bools = NDArray[np.bool_]

COMPARED = ("EDT", "T20", "T30", "C50", "C80", "D50", "Ts", "G")
LOW_HZ, MIDDLE_HZ, HIGH_HZ = (125.0, 250.0), (500.0, 1000.0), (2000.0, 4000.0)
MIRRORED_M = 0.5
"""Sources are left and right of a receiver if one lies this near the other's mirror image."""
NO_REFLECTION = "no reflection within 15 ms"
NO_MATE = "no two sources stand left and right of it alike"


@dataclass(frozen=True)
class Difference:
    """One quantity before, after, and what changed; Estimates of shape (place, column).

    Attributes
    ----------
    key : str
        Of `theory.noticeable.STEPS`.
    term, unit : str
    places : tuple of str
        Rows: the mean over pairs of source and receiver first where there are several.
    columns : tuple of str
        Bands, or what the number is of.
    change : Estimate
        After minus before.
    """

    key: str
    term: str
    unit: str
    places: tuple[str, ...]
    columns: tuple[str, ...]
    before: Estimate
    after: Estimate
    change: Estimate


@dataclass(frozen=True)
class Part:
    """A Difference without its numbers, and how they follow from the quantities."""

    key: str
    term: str
    unit: str
    places: tuple[str, ...]
    columns: tuple[str, ...]
    of: Callable[[dict[str, Array]], Array]
    why: Callable[[dict[str, Reasons]], Reasons]

    @property
    def shape(self) -> tuple[int, int]:
        """Places and columns."""
        return len(self.places), len(self.columns)


def differences(before: Side, after: Side) -> tuple[Difference, ...]:
    """Differences of every quantity, of balance and match, and of the strongest reflection.

    Undefined, with the reason, wherever one of both sides is.

    - `COMPARED`: for the mean over pairs of source and receiver, and each pair, by band.
    - T ratio: T20 of the low and of the high octaves over that of the middle ones, after the bass
      ratio of Beranek 1962 (from memory), of those octaves that both sides have above the
      Schroeder frequency.
    - G balance: mean G of the low octaves minus that of the high ones (our own definition).
    - match: difference in G between the left and the right source, without sign, by receiver.
    - reflection: strongest specular reflection within 15 ms, 1 to 8 kHz, re the direct sound.

    Raises
    ------
    ResultError
        Source, receivers or bands have nothing in common.
    """
    common = common_of(before, after)
    is_paired, _ = pairing(before, after)
    reasons = [_reasons(side, common, k) for k, side in enumerate((before, after))]
    parts = _parts(before, common, reasons, _counting(before, after, common))
    values, errors, left_out = zip(
        *(_numbers(side, common, k, parts) for k, side in enumerate((before, after))), strict=True
    )
    if is_paired:
        error = jackknife_error(left_out[1] - left_out[0])
    else:
        error = np.hypot(*errors)
    batches = min(len(before.origin.energy_batches), len(after.origin.energy_batches))
    found, at = [], 0
    for part in parts:
        here = slice(at, at + int(np.prod(part.shape)))
        at = here.stop
        one, other = (
            withheld(v[here].reshape(part.shape), e[here].reshape(part.shape), part.why(w), batches)
            for v, e, w in zip(values, errors, reasons, strict=True)
        )
        moved = (values[1] - values[0])[here].reshape(part.shape)
        why = _of_either(one.reason, other.reason)
        change = withheld(moved, error[here].reshape(part.shape), why, batches)
        named = (part.key, part.term, part.unit, part.places, part.columns)
        found.append(Difference(*named, one, other, change))
    return (*found, _reflection(before, after, common, batches))


def _numbers(
    side: Side, common: Common, which: int, parts: list[Part]
) -> tuple[Array, Array, Array]:
    """All parts' numbers in one row: value, standard error, and (batch, numbers) left out."""
    direct = common.pick(direct_energy(side.result)[0], which)
    batches = np.stack([common.pick(one[0], which) for one in side.result.energy_batches])

    def evaluate(energy: Array) -> Array:
        histogram = Histogram(energy, side.result.bin_s, direct)
        values = {key: QUANTITIES[key].evaluate(histogram) for key in COMPARED}
        return np.concatenate([part.of(values).ravel() for part in parts])

    value, left_out = leave_one_out(evaluate, batches)
    return value, jackknife_error(left_out), left_out


def _reasons(side: Side, common: Common, which: int) -> dict[str, Reasons]:
    found = undefined_reasons(side.result, tuple(QUANTITIES[key] for key in COMPARED), False)
    return {key: common.pick(of_key[0], which) for key, of_key in zip(COMPARED, found, strict=True)}


def _counting(before: Side, after: Side, common: Common) -> Bools:
    """(source, receiver, band) pairs that count in means: those that play on both sides, or all."""
    both = [
        common.pick(of_pairs(playing.plays(side.scene), side.result), k)
        for k, side in enumerate((before, after))
    ]
    played = both[0] & both[1]
    return np.asarray(played | ~played.any(axis=(0, 1)))


def _parts(
    before: Side, common: Common, reasons: list[dict[str, Reasons]], counts: Bools
) -> list[Part]:
    bands = tuple(band_name(label) for label in common.bands_hz)
    several = len(common.pairs) > 1
    mean_place = f"mean over {len(common.pairs)} pairs"
    mean_place += "" if counts.all() else ", each in the bands that its source plays"
    places = ((mean_place,) if several else ()) + common.pairs
    of_rows = counts.reshape(-1, counts.shape[-1])

    def spread(values: Array) -> Array:
        """(source, receiver, band) to (place, band)."""
        rows = values.reshape(of_rows.shape)
        mean = rows.mean(axis=0, keepdims=True, where=of_rows)
        return np.concatenate([mean, rows]) if several else rows

    def spread_reasons(why: Reasons) -> Reasons:
        rows = why.reshape(of_rows.shape)
        columns = zip(rows.T, of_rows.T, strict=True)
        mean = np.array([[first_reason(column[own]) for column, own in columns]], dtype=object)
        return np.concatenate([mean, rows]) if several else rows

    parts = [
        Part(
            key,
            QUANTITIES[key].term,
            QUANTITIES[key].unit,
            places,
            bands,
            partial(_apply, spread, key),
            partial(_apply, spread_reasons, key),
        )
        for key in COMPARED
    ]
    return [
        *parts,
        *_balances(common, places[:1], reasons, counts),
        _match(before, common, bands, counts),
    ]


def _apply(
    spread: Callable[[NDArray[Any]], NDArray[Any]], key: str, of_key: dict[str, NDArray[Any]]
) -> NDArray[Any]:
    return spread(of_key[key])


def _balances(
    common: Common, place: tuple[str, ...], reasons: list[dict[str, Reasons]], counts: Bools
) -> list[Part]:
    """Low and high octaves against each other, of those that both sides have."""

    def chosen(key: str, labels: tuple[float, ...]) -> list[int]:
        return [
            b
            for b, label in enumerate(common.bands_hz)
            if label in labels
            and all((why[key][..., b][counts[..., b]] == "").all() for why in reasons)
        ]

    def mean(values: Array, bands: list[int]) -> Array:
        if not bands:
            return np.asarray(np.nan)
        of_bands = values[..., bands].mean(axis=(0, 1), where=counts[..., bands])
        return np.asarray(of_bands.mean())

    def ratio(bands: list[int], values: dict[str, Array]) -> Array:
        return (mean(values["T20"], bands) / mean(values["T20"], middle)).reshape(1, 1)

    def why_not(groups: list[list[int]]) -> Callable[[dict[str, Reasons]], Reasons]:
        text = "" if all(groups) else "no octave of one group is defined on both sides"
        return lambda _: np.array([[text]], dtype=object)

    def named(bands: list[int], group: str) -> str:
        return ", ".join(band_name(common.bands_hz[b]) for b in bands) or f"the {group} octaves"

    low, middle, high = (chosen("T20", labels) for labels in (LOW_HZ, MIDDLE_HZ, HIGH_HZ))
    bass, treble = (chosen("G", labels) for labels in (LOW_HZ, HIGH_HZ))
    ratios = [
        Part(
            "T ratio",
            f"T20 of the {name} octaves over that of the middle ones",
            "1",
            place,
            (f"{named(bands, name)} / {named(middle, 'middle')}",),
            partial(ratio, bands),
            why_not([bands, middle]),
        )
        for name, bands in (("low", low), ("high", high))
    ]
    level = Part(
        "G balance",
        "level of the low octaves over the high ones",
        "dB",
        place,
        (f"{named(bass, 'low')} / {named(treble, 'high')}",),
        lambda v: (mean(v["G"], bass) - mean(v["G"], treble)).reshape(1, 1),
        why_not([bass, treble]),
    )
    return [*ratios, level]


def _match(before: Side, common: Common, bands: tuple[str, ...], counts: Bools) -> Part:
    mates = [mates_of(before, common, r) for r in range(len(common.receivers))]

    def counting(r: int, b: int) -> list[tuple[int, int]]:
        """Mates that play, or all where none do."""
        played = [mate for mate in mates[r] if counts[list(mate), r, b].all()]
        return played or mates[r]

    def off(level: Array, r: int, b: int) -> float:
        apart = [abs(level[a, r, b] - level[c, r, b]) for a, c in counting(r, b)]
        return float(np.mean(apart)) if apart else np.nan

    def of(values: dict[str, Array]) -> Array:
        level = values["G"]
        return np.array([[off(level, r, b) for b in range(len(bands))] for r in range(len(mates))])

    def reason(why: Reasons, r: int, b: int) -> str:
        members = [source for mate in counting(r, b) for source in mate]
        return first_reason(why[members, r, b]) if members else NO_MATE

    def why(reasons: dict[str, Reasons]) -> Reasons:
        rows = [[reason(reasons["G"], r, b) for b in range(len(bands))] for r in range(len(mates))]
        return np.array(rows, dtype=object)

    term = "level difference between left and right source"
    return Part("match", term, "dB", common.receiver_names, bands, of, why)


def mates_of(side: Side, common: Common, receiver: int) -> list[tuple[int, int]]:
    """Pairs of sources that stand left and right of a receiver, as mirror images of each other."""
    scene = side.scene
    seat = scene.receivers[common.receivers[receiver][0]]
    right = scene.right_of(seat.facing)
    places = [scene.sources[i].position - seat.position for i, _ in common.sources]
    mates = []
    for a, here in enumerate(places):
        if here @ right > -MIRRORED_M / 2:
            continue
        mirrored = here - 2 * (here @ right) * right
        off = [float(np.linalg.norm(mirrored - there)) for there in places]
        if min(off) <= MIRRORED_M:
            mates.append((a, int(np.argmin(off))))
    return mates


def _reflection(before: Side, after: Side, common: Common, batches: int) -> Difference:
    """Strongest early reflection of each pair; without sampling error, so its error is 0."""
    one, other = (_strongest(side, common, k, batches) for k, side in enumerate((before, after)))
    several = len(common.pairs) > 1
    reason = _of_either(one.reason, other.reason)
    exact = np.zeros_like(one.value)
    return Difference(
        "reflection",
        "strongest reflection within 15 ms re the direct sound",
        "dB",
        (("the strongest of all pairs",) if several else ()) + common.pairs,
        ("1 kHz to 8 kHz",),
        one,
        other,
        withheld(other.value - one.value, exact, reason, batches),
    )


def _strongest(side: Side, common: Common, which: int, batches: int) -> Estimate:
    level = np.full((len(common.sources), len(common.receivers)), -np.inf)
    sources = {pair[which]: k for k, pair in enumerate(common.sources)}
    receivers = {pair[which]: k for k, pair in enumerate(common.receivers)}
    for one in early_reflections(side.result):
        s, r = sources.get(one.reflection.source), receivers.get(one.reflection.receiver)
        if s is not None and r is not None and one.is_met is not None:
            level[s, r] = max(level[s, r], one.level_db)
    rows = level.reshape(-1, 1)
    rows = np.concatenate([rows.max(axis=0, keepdims=True), rows]) if len(rows) > 1 else rows
    bands = criterion_bands(side.scene.bands_hz)
    sounding = playing.plays(side.scene)[:, bands]
    of_source = np.array([sounding[pair[which]].any() for pair in common.sources])
    of_rows = np.repeat(of_source, len(common.receivers))
    if len(rows) > len(of_rows):
        of_rows = np.concatenate([of_source.any(keepdims=True), of_rows])
    absent = np.where(of_rows, NO_REFLECTION, no_criterion_band(side.scene.bands_hz))
    reason = np.where(np.isfinite(rows), "", absent[:, None]).astype(object)
    return withheld(rows, np.zeros_like(rows), reason, batches)


def _of_either(before: NDArray[np.str_], after: NDArray[np.str_]) -> Reasons:
    """Why a difference is undefined: the reason of before, or that of after with its side."""
    reason = np.full(before.shape, "", dtype=object)
    for at in np.ndindex(before.shape):
        one, other = str(before[at]), str(after[at])
        reason[at] = one if one else f"after, {other}" if other else ""
        if one and not other:
            reason[at] = f"before, {one}"
    return reason
