"""What a variant changes in the bass, as rows, sentences and pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from raysim.bands import band_name
from raysim.digits import rounded, tidy, with_error
from raysim.quantities import bass_change, joined_response
from raysim.quantities.bass_changes import BassChange
from raysim.quantities.bass_evenness import evenness_words
from raysim.quantities.bass_modes import Mode
from raysim.quantities.comparison import Comparison
from raysim.report import bass_curves, style
from raysim.report.pictures import Picture, picture_of

NONE = ("–", "")
SAME_SHARE = 0.05  # a decay time that changes less is called as long as before
SIZES = (
    (math.log(2), "large, a factor of two or more"),
    (math.log(1.25), "clear, a quarter or more"),
    (math.log(1.1), "small, a tenth or more"),
    (0.0, "hardly noticeable, less than a tenth"),
)
STEP_SOURCE = (
    "5 % of a decay time and 1 dB of a level, after ISO 3382-1:2009, table A.1, taken over to the "
    "bass for want of better"
)


def sentences(change: BassChange) -> list[str]:
    """T20 of the low octaves, evenness and modes, in words."""
    said = []
    for r, receiver in enumerate(change.receivers):
        parts = [
            f"{band_name(f)} {_time(change, 0, r, b)} to {_time(change, 1, r, b)}"
            for b, f in enumerate(change.bands_hz)
            if np.isfinite(change.t20_s[:, r, b]).any()
        ]
        if parts:
            said.append(f"T20 by waves at “{receiver}”: {'; '.join(parts)}.")
        said += evenness_words(*change.even, r, receiver)
    counts = {"shorter": 0, "longer": 0, "as long": 0}
    for one, other in change.modes:
        if other is not None:
            counts[_word(one, other)] += 1
    listed = [f"{n} {'ring' if n > 1 else 'rings'} {word}" for word, n in counts.items() if n]
    gone = sum(other is None for _, other in change.modes)
    listed += [f"{gone} {'are' if gone > 1 else 'is'} not found again"] if gone else []
    if listed:
        said.append(f"Of the lowest {len(change.modes)} modes {', '.join(listed)}.")
    if largest := _largest(change):
        said.append(largest)
    return said


def _largest(change: BassChange) -> str:
    """The decay time that changes most, and whether that is much; empty where all are as long."""
    pairs = [
        (one, other) for one, other in change.modes if other and _word(one, other) != "as long"
    ]
    if not pairs:
        return ""
    one, other = max(pairs, key=lambda pair: abs(_growth(*pair)))
    share = abs(_growth(one, other))
    size = next(word for least, word in SIZES if share >= least)
    return (
        f"The largest change is {size}: at {one.frequency_hz:.1f} Hz from {_ranged(one)} "
        f"to {_ranged(other)}."
    )


def _growth(before: Mode, after: Mode) -> float:
    """Logarithm of the ratio of decay times."""
    if math.isinf(before.decay_time_s):
        return -math.inf
    return math.log(after.decay_time_s / before.decay_time_s)


def _ranged(mode: Mode) -> str:
    if math.isinf(mode.decay_time_s):
        return "endless"
    ends = f"{mode.shortest_s:.2f} to {mode.longest_s:.2f}"
    return f"{mode.decay_time_s:.2f} s (within the materials' ranges {ends} s)"


def _time(change: BassChange, side: int, receiver: int, band: int) -> str:
    time = change.t20_s[side, receiver, band]
    if not math.isfinite(time):
        return "undefined"
    return f"{with_error(float(time), float(change.t20_spread_s[side, receiver, band]))} s"


def _word(before: Mode, after: Mode) -> str:
    if math.isinf(before.decay_time_s) and math.isinf(after.decay_time_s):
        return "as long"
    if math.isinf(after.decay_time_s):
        return "longer"
    share = after.decay_time_s / before.decay_time_s - 1
    if abs(share) < SAME_SHARE:
        return "as long"
    return "shorter" if share < 0 else "longer"


def mode_rows(change: BassChange) -> list[dict[str, object]]:
    """The lowest modes before and after; numbers with what is left open of them."""
    rows: list[dict[str, object]] = []
    for one, other in change.modes:
        rows.append(
            {
                "kind": one.kind or "–",
                "before_hz": rounded(one.frequency_hz, one.tolerance_hz),
                "after_hz": NONE
                if other is None
                else rounded(other.frequency_hz, other.tolerance_hz),
                "before_s": _seconds(one),
                "after_s": NONE if other is None else _seconds(other),
                "change": "" if other is None else _percent(one, other),
                "before": one.verdict,
                "after": "damped away or joined another" if other is None else other.verdict,
            }
        )
    return rows


def _seconds(mode: Mode) -> tuple[str, str]:
    """Decay time, and its ends within the materials' ranges."""
    if math.isinf(mode.decay_time_s):
        return "endless", ""
    return f"{mode.decay_time_s:.2f}", f"{mode.shortest_s:.2f}–{mode.longest_s:.2f}"


def _percent(before: Mode, after: Mode) -> str:
    if math.isinf(before.decay_time_s) or math.isinf(after.decay_time_s):
        return ""
    return tidy(100 * (after.decay_time_s / before.decay_time_s - 1), 0)


def as_data(change: BassChange) -> dict[str, object]:
    """All of it for JSON; undefined numbers are null."""
    return {
        "receivers": list(change.receivers),
        "bands_hz": list(change.bands_hz),
        "t20_s": _plain(change.t20_s),
        "t20_spread_s": _plain(change.t20_spread_s),
        "unevenness_db": _plain(np.array([e.value_db for e in change.even])),
        "unevenness_spread_db": _plain(np.array([e.spread_db for e in change.even])),
        "unevenness_range_db": _plain(np.array([e.range_db for e in change.even])),
        "unevenness_change_db": _plain(change.even_change_db[0]),
        "unevenness_change_spread_db": _plain(change.even_change_db[1]),
        "modes": [
            {
                "kind": one.kind,
                "frequency_hz": [one.frequency_hz, None if other is None else other.frequency_hz],
                "frequency_tolerance_hz": [
                    None if m is None else m.tolerance_hz for m in (one, other)
                ],
                "decay_time_s": [
                    None if m is None or math.isinf(m.decay_time_s) else m.decay_time_s
                    for m in (one, other)
                ],
                "decay_time_range_s": [
                    None if m is None else [_plain(m.shortest_s), _plain(m.longest_s)]
                    for m in (one, other)
                ],
                "verdict": [one.verdict, None if other is None else other.verdict],
            }
            for one, other in change.modes
        ],
    }


def _plain(values: np.ndarray | list[object] | float) -> object:
    if isinstance(values, np.ndarray):
        return _plain(values.tolist())
    if isinstance(values, list):
        return [_plain(value) for value in values]  # type: ignore[arg-type]
    return values if math.isfinite(values) else None


def sections(compared: Sequence[Comparison], files: dict[str, bytes]) -> list[dict[str, object]]:
    """For the page: each comparison with the bass on both sides; PNGs are added to `files`."""
    found: list[dict[str, object]] = []
    before = None
    for number, one in enumerate(compared, start=1):
        change = bass_change(one.before, one.after)
        if change is None:
            continue
        before = before or joined_response(one.before.result)
        after = joined_response(one.after.result)
        pictures: list[Picture] = []
        if before is not None and after is not None:
            receivers = [r.name for r in one.after.scene.receivers]
            first = [r.name for r in one.before.scene.receivers].index(change.receivers[0])
            with style.drawing():
                figure = bass_curves.draw_before_after(
                    before.frequency_hz,
                    before.smoothed_db[0, -1, first],
                    after.smoothed_db[0, -1, receivers.index(change.receivers[0])],
                    (change.before, change.after),
                    f"Level at “{style.short(change.receivers[0])}”, 1/6 octave",
                )
                files[f"response_change_{number:02d}.png"] = style.png(figure)
                alt = f"Level at the seat with {change.after} against {change.before}"
                pictures.append(picture_of(figure, alt))
        found.append(
            {
                "name": change.after,
                "sentences": sentences(change),
                "rows": mode_rows(change),
                "pictures": pictures,
            }
        )
    return found
