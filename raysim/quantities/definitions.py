"""The quantities of ISO 3382 as functions of an energy-time histogram, in one table.

Every entry evaluates a histogram for all positions and bands at once, so that the jackknife over
batches is a handful of array operations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from raysim.theory import decay

Array = NDArray[np.float64]

SHORT_HISTOGRAM = (
    "the histogram ends before the sound has decayed enough; make it longer (duration_s)"
)


@dataclass(frozen=True)
class Histogram:
    """Energies and what several quantities draw from them, computed once.

    Attributes
    ----------
    energy : (..., time) float
    bin_s : float
    direct : (...) float
        Energy of the direct sound, part of bin 0.
    """

    energy: Array
    bin_s: float
    direct: Array

    @cached_property
    def curve(self) -> decay.Curve:
        """The decay curve."""
        return decay.level_curve(self.energy)

    @cached_property
    def lines(self) -> dict[str, decay.Line]:
        """The lines of EDT, T20 and T30."""
        return {
            key: decay.line_through(self.curve, self.bin_s, *limits)
            for key, limits in decay.EVALUATION_RANGES_DB.items()
        }


@dataclass(frozen=True)
class Quantity:
    """One quantity.

    Attributes
    ----------
    key : str
        In files and tables: 'T20'.
    term : str
        In text.
    unit : str
        's', 'dB', '1' or '%'.
    source : str
        Where it is defined.
    evaluate : callable
        Histogram to values (...), NaN where undefined.
    explain : callable
        Histogram of one element, energy (time,), to the reason why it is undefined.
    """

    key: str
    term: str
    unit: str
    source: str
    evaluate: Callable[[Histogram], Array]
    explain: Callable[[Histogram], str]

    @property
    def is_of_decay(self) -> bool:
        """True for the slopes of a decay, False for energies and their ratios."""
        return self.key in ("EDT", "T20", "T30", "curvature")


def _line(key: str, term: str, source: str) -> Quantity:
    def evaluate(histogram: Histogram) -> Array:
        return histogram.lines[key].time_s

    def explain(histogram: Histogram) -> str:
        code = int(histogram.lines[key].code)
        return decay.line_reason(code, *decay.EVALUATION_RANGES_DB[key])

    return Quantity(key, term, "s", source, evaluate, explain)


def clarity_quantity(key: str, early_s: float) -> Quantity:
    """Early-to-late index with the limit `early_s`."""

    def evaluate(histogram: Histogram) -> Array:
        return decay.clarity(histogram.energy, histogram.bin_s, early_s)

    def explain(histogram: Histogram) -> str:
        early, late = decay.split_energy(histogram.energy, histogram.bin_s, early_s)
        if early <= 0 < histogram.energy.sum():
            return f"no sound arrives within {1000 * early_s:g} ms"
        if late == 0 < early:
            return f"no sound arrives after {1000 * early_s:g} ms"
        return _explain_energy(histogram)

    term = f"clarity, {1000 * early_s:g} ms"
    return Quantity(key, term, "dB", "ISO 3382-1:2009, A.2.3", evaluate, explain)


def _explain_energy(histogram: Histogram) -> str:
    if histogram.energy.sum() <= 0:
        return decay.REASONS[decay.SILENT]
    if np.isnan(decay.missing_tail(histogram.energy).energy):
        return decay.REASONS[decay.RISING]
    return SHORT_HISTOGRAM


def _curvature(histogram: Histogram) -> Array:
    return 100.0 * (histogram.lines["T30"].time_s / histogram.lines["T20"].time_s - 1.0)


EARLY_DECAY = _line("EDT", "early decay time", "ISO 3382-1:2009, A.2.2")
T20 = _line("T20", "reverberation time T20", "ISO 3382-2:2008, 3.4")
T30 = _line("T30", "reverberation time T30", "ISO 3382-2:2008, 3.4")

QUANTITIES: dict[str, Quantity] = {
    quantity.key: quantity
    for quantity in (
        EARLY_DECAY,
        T20,
        T30,
        clarity_quantity("C50", 0.050),
        clarity_quantity("C80", 0.080),
        Quantity(
            "D50",
            "definition",
            "1",
            "ISO 3382-1:2009, A.2.3",
            lambda histogram: decay.definition(histogram.energy, histogram.bin_s, 0.050),
            _explain_energy,
        ),
        Quantity(
            "Ts",
            "centre time",
            "s",
            "ISO 3382-1:2009, A.2.4",
            lambda histogram: decay.centre_time(
                histogram.energy, histogram.bin_s, histogram.direct
            ),
            _explain_energy,
        ),
        Quantity(
            "G",
            "sound strength",
            "dB",
            "ISO 3382-1:2009, A.2.1",
            lambda histogram: decay.strength_db(histogram.energy),
            _explain_energy,
        ),
        Quantity(
            "curvature",
            "curvature of the decay",
            "%",
            "ISO 3382-2:2008, annex B",
            _curvature,
            lambda histogram: T30.explain(histogram) or T20.explain(histogram),
        ),
    )
}
"""Clause numbers of ISO 3382 are from memory."""
