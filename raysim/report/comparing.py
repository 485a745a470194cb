"""What changes between variants, as rows of text, as sentences and as CSV."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from raysim import digits
from raysim.quantities.balance import balance_sentence
from raysim.quantities.bass_changes import wave_times
from raysim.quantities.comparison import AIMED, MIXED, Comparison, Judged
from raysim.quantities.verdicts import (
    BETTER,
    DIFFERS,
    FALSE_DISCOVERY_RATE,
    SAME,
    UNDEFINED,
    UNSURE,
    WORSE,
    Verdict,
)
from raysim.report.tables import PRINTED
from raysim.scene.shopping import Sum
from raysim.theory.noticeable import STEPS
from raysim.units import counted

SHOWN = ("T20", "EDT", "C50", "G", "T ratio", "G balance", "match", "reflection")
TITLES = {
    "T ratio": "T20 ratio",
    "G balance": "level balance",
    "match": "left/right match",
    "reflection": "early reflection",
}
MARKS = {BETTER: "▲", WORSE: "▼", DIFFERS: "◆", SAME: "=", UNSURE: "?", UNDEFINED: "–"}
OVERALL = {
    BETTER: "better",
    WORSE: "worse",
    MIXED: MIXED,
    UNSURE: "can't tell",
    DIFFERS: "differs, in what has no better or worse",
    SAME: SAME,
}


@dataclass(frozen=True)
class Row:
    """One difference in print.

    Attributes
    ----------
    quantity, column, unit : str
    before, after, change, error : str
        Empty where undefined; `error` is the standard error of the change.
    verdict, mark : str
        In words, what would decide it included; and as a sign.
    """

    quantity: str
    column: str
    unit: str
    before: str
    after: str
    change: str
    error: str
    verdict: str
    mark: str


def title_of(key: str) -> str:
    """Name of a quantity in tables."""
    return TITLES.get(key, key)


def rows_of(comparison: Comparison, keys: Sequence[str] = SHOWN, place: int = 0) -> list[Row]:
    """Rows of the mean over positions, band by band; those undefined are left out."""
    found = []
    for key in keys:
        for judged in comparison.of(key):
            one = judged.difference
            row = min(place, len(one.places) - 1)
            for c, column in enumerate(one.columns):
                verdict = judged.verdicts[row][c]
                if verdict.word != UNDEFINED:
                    found.append(_row(judged, row, c, column, verdict))
    return found


def _row(judged: Judged, p: int, c: int, column: str, verdict: Verdict) -> Row:
    one = judged.difference
    factor, unit = PRINTED.get(one.key, (1.0, one.unit))
    before, after = (
        _number(side.value[p, c] * factor, side.standard_error[p, c] * factor)
        for side in (one.before, one.after)
    )
    change, error = "", ""
    if not one.change.reason[p, c]:
        moved, open_to = one.change.value[p, c] * factor, one.change.standard_error[p, c] * factor
        change, error = digits.rounded(float(moved), float(open_to))
        if open_to == 0:
            change, error = digits.tidy(float(moved), 1), ""
        change = change if change.startswith("\N{MINUS SIGN}") or moved == 0 else f"+{change}"
    return Row(
        title_of(one.key),
        column,
        unit if unit != "1" else "",
        before,
        after,
        change,
        error,
        in_words(verdict),
        MARKS[verdict.word],
    )


def _number(value: float, error: float) -> str:
    if math.isnan(value):
        return "none"
    return digits.tidy(value, 1) if error == 0 else digits.with_error(value, error)


def in_words(verdict: Verdict) -> str:
    """'better', or "can't tell: run longer: about 4 times the rays"."""
    return f"{verdict.word}; {verdict.reason}" if verdict.reason else verdict.word


def undefined(comparison: Comparison, keys: Sequence[str] = SHOWN) -> list[str]:
    """One sentence for each reason why rows are missing, with what it holds for."""
    found: dict[str, list[str]] = {}
    for key in keys:
        for judged in comparison.of(key):
            for column, verdict in zip(judged.difference.columns, judged.verdicts[0], strict=True):
                if verdict.word == UNDEFINED:
                    found.setdefault(verdict.reason, []).append(f"{title_of(key)} at {column}")
    return [f"{', '.join(labels)}: {reason}" for reason, labels in found.items()]


def error_note(comparison: Comparison) -> str:
    """What ± means, and what has none."""
    return (
        "± is the standard error, that of the change "
        f"{comparison.pairing}. Levels of reflections have none: they are exact for the room and "
        "the materials as given."
    )


def headline(comparison: Comparison) -> str:
    """'base to sides: better'."""
    names = f"{comparison.before.name} to {comparison.after.name}"
    return f"{names}: {OVERALL[comparison.overall]}"


def sentences(comparison: Comparison) -> list[str]:
    """What is better, worse, the same and open, in words, of what has an aim."""
    said = []
    for key in AIMED:
        for judged in comparison.of(key):
            grouped = _grouped(judged)
            if grouped:
                said.append(f"{_subject(judged)}: {'; '.join(grouped)}.")
    said += [f"{sentence}." for sentence in balance(comparison)]
    several = len(comparison.strongest) > 1
    for receiver, before, after in comparison.strongest:
        if before != after:
            where = f" at “{receiver}”" if several else ""
            said.append(f"The strongest early reflection{where} was {before}, and is {after}.")
    return said


def balance(comparison: Comparison) -> list[str]:
    """What becomes of lows against highs: by rays, and by waves below the Schroeder frequency."""
    one = comparison.of("T20")[0].difference
    times = np.array([one.before.value[0], one.after.value[0]])
    errors = one.change.standard_error[0]
    known = {
        label: (times[:, b], float(errors[b]))
        for b, label in enumerate(comparison.bands_hz)
        if np.isfinite(times[:, b]).all()
    }
    known = wave_times(comparison.before, comparison.after) | known
    labels = sorted({*comparison.bands_hz, *known})
    missing = (np.full(2, np.nan), 0.0)
    rows = [known.get(label, missing) for label in labels]
    waves = [side.result.bass is not None for side in (comparison.before, comparison.after)]
    return balance_sentence(
        np.transpose([pair for pair, _ in rows]),
        labels,
        np.array([error for _, error in rows]),
        "and by waves they have no T20 on both sides" if all(waves) else "run with --bass",
    )


def overview(comparison: Comparison) -> dict[str, object]:
    """What a page says of one comparison before any table."""
    return {
        "name": comparison.after.name,
        "anchor": anchor(comparison.after.name),
        "verdict": OVERALL[comparison.overall],
        "mark": MARKS.get(comparison.overall, MARKS[DIFFERS]),
        "sentences": sentences(comparison),
        "treatment": sum_in_words(comparison.sums[1]),
    }


def anchor(name: str) -> str:
    """Place in a page, and part of a file's name."""
    return re.sub(r"\W+", "-", name).strip("-") or "variant"


def _subject(judged: Judged) -> str:
    one = judged.difference
    if one.key == "T ratio":
        return f"Evenness, T20 at {one.columns[0].replace(' / ', ' against ')}"
    return {"T20": "Decay time", "match": "Left and right alike"}.get(
        one.key, "Strongest early reflection"
    )


def _grouped(judged: Judged) -> list[str]:
    """'better at 250 Hz to 2 kHz', 'can't tell at 4 kHz (run longer: about 2 times the rays)'."""
    columns, verdicts = judged.difference.columns, judged.verdicts[0]
    groups: dict[tuple[str, str], list[int]] = {}
    for c, verdict in enumerate(verdicts):
        if verdict.word != UNDEFINED:
            cause = "" if verdict.times_rays is not None else verdict.reason
            groups.setdefault((verdict.word, cause), []).append(c)
    said = []
    for (word, cause), members in groups.items():
        where = "" if len(columns) == 1 else f" at {_spans(columns, members)}"
        longest = max((verdicts[c] for c in members), key=lambda v: v.times_rays or 0.0)
        why = cause or longest.reason
        said.append(f"{word}{where}" + (f" ({why})" if why else ""))
    return said


def _spans(columns: Sequence[str], members: Sequence[int]) -> str:
    """'250 Hz to 1 kHz, 4 kHz': neighbours together."""
    spans = []
    for _, run in groupby(enumerate(members), key=lambda pair: pair[1] - pair[0]):
        ends = [c for _, c in run]
        first, last = columns[ends[0]], columns[ends[-1]]
        spans.append(first if first == last else f"{first} to {last}")
    return ", ".join(spans)


def sum_in_words(total: Sum | None) -> str:
    """'5 pieces, 4.32 m², 52.0 kg, 820 to spend', with how much of it is not known."""
    if total is None or not total.pieces:
        return "no treatment"
    parts = [counted(total.pieces, "piece")]
    if total.area_m2:
        parts.append(f"{total.area_m2:.2f} m² on surfaces")
    for number, unknown, what in (
        (f"{total.weight_kg:.1f} kg", total.unweighed, "weight"),
        (f"{total.cost:g} to spend", total.unpriced, "cost"),
    ):
        if unknown == total.pieces:
            parts.append(f"{what} not known")
        else:
            parts.append(number + (f" and {what} of {unknown} not known" if unknown else ""))
    return ", ".join(parts)


def together_in_words(comparison: Comparison) -> str:
    """How the verdicts allow for being many."""
    return (
        f"{comparison.together} verdicts are given together; of those that claim something at "
        f"most {100 * FALSE_DISCOVERY_RATE:g} % are expected to be wrong by chance (false "
        "discovery rate, Benjamini and Hochberg 1995), for which each rests on an interval of "
        f"{100 * comparison.level:.3g} %."
    )


def steps_in_words(keys: Sequence[str] = SHOWN) -> list[str]:
    """Noticeable steps with their sources, those of one source together."""
    by_source: dict[str, list[str]] = {}
    for key in keys:
        step = STEPS[key]
        unit = {"Ts": " s", "D50": "", "T ratio": ""}.get(key, " dB")
        size = f"{100 * step.size:g} %" if step.is_share else f"{step.size:g}{unit}"
        by_source.setdefault(step.source, []).append(f"{title_of(key)} {size}")
    return [f"{', '.join(labels)}: {source}" for source, labels in by_source.items()]


def differences_csv(comparisons: Sequence[Comparison]) -> str:
    """Every difference at every place and band, SI units, nine significant digits."""
    buffer = io.StringIO()
    write = csv.writer(buffer, lineterminator="\n").writerow
    write(
        "before after quantity unit place of value_before value_after change standard_error "
        "standard_error_before standard_error_after verdict what_would_decide reason".split()
    )
    for comparison in comparisons:
        for judged in comparison.judged:
            one = judged.difference
            for p, place in enumerate(one.places):
                for c, column in enumerate(one.columns):
                    verdict = judged.verdicts[p][c]
                    numbers = (
                        one.before.value[p, c],
                        one.after.value[p, c],
                        one.change.value[p, c],
                        one.change.standard_error[p, c],
                        one.before.standard_error[p, c],
                        one.after.standard_error[p, c],
                    )
                    write(
                        [
                            comparison.before.name,
                            comparison.after.name,
                            one.key,
                            one.unit,
                            place,
                            column,
                            *("" if math.isnan(x) else f"{x:.9g}" for x in numbers),
                            verdict.word,
                            "" if verdict.word == UNDEFINED else verdict.reason,
                            one.change.reason[p, c],
                        ]
                    )
    return buffer.getvalue()
