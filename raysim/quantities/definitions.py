"""The quantities of ISO 3382 as functions of an energy-time histogram, in one table.

Every entry evaluates energies (..., time) for all positions and bands at once, so that the
jackknife over batches is a handful of array operations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.theory import decay

Array = NDArray[np.float64]
Evaluate = Callable[[Array, float, Array], Array]
Explain = Callable[[Array, float], str]

SHORT_HISTOGRAM = (
    "the histogram ends before the sound has decayed enough; make it longer (duration_s)"
)


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
        (energy (..., time), bin_s, energy of the direct sound (...)) to values (...), NaN where
        undefined.
    explain : callable
        (energy (time,), bin_s) to the reason why one element is undefined.
    """

    key: str
    term: str
    unit: str
    source: str
    evaluate: Evaluate
    explain: Explain

    @property
    def is_of_decay(self) -> bool:
        """True for the slopes of a decay, False for energies and their ratios."""
        return self.key in ("EDT", "T20", "T30", "curvature")


def _line(key: str, term: str, source: str) -> Quantity:
    upper, lower = decay.EVALUATION_RANGES_DB[key]

    def evaluate(energy: Array, bin_s: float, _direct: Array) -> Array:
        return decay.decay_time(energy, bin_s, upper, lower)

    def explain(energy: Array, bin_s: float) -> str:
        code = int(decay.fit_line(energy, bin_s, upper, lower).code)
        return decay.line_reason(code, upper, lower)

    return Quantity(key, term, "s", source, evaluate, explain)


def clarity_quantity(key: str, early_s: float) -> Quantity:
    """Early-to-late index with the limit `early_s`."""

    def evaluate(energy: Array, bin_s: float, _direct: Array) -> Array:
        return decay.clarity(energy, bin_s, early_s)

    def explain(energy: Array, bin_s: float) -> str:
        early, late = decay.split_energy(energy, bin_s, early_s)
        general = _explain_energy(energy, bin_s)
        if early <= 0 < energy.sum():
            return f"no sound arrives within {1000 * early_s:g} ms"
        if late == 0 < early:
            return f"no sound arrives after {1000 * early_s:g} ms"
        return general

    term = f"clarity, {1000 * early_s:g} ms"
    return Quantity(key, term, "dB", "ISO 3382-1:2009, A.2.3", evaluate, explain)


def _explain_energy(energy: Array, _bin_s: float) -> str:
    if energy.sum() <= 0:
        return decay.REASONS[decay.SILENT]
    if np.isnan(decay.missing_tail(energy).energy):
        return decay.REASONS[decay.RISING]
    return SHORT_HISTOGRAM


def _curvature(energy: Array, bin_s: float, _direct: Array) -> Array:
    shorter, longer = (
        decay.decay_time(energy, bin_s, *decay.EVALUATION_RANGES_DB[key]) for key in ("T20", "T30")
    )
    return 100.0 * (longer / shorter - 1.0)


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
            lambda energy, bin_s, _direct: decay.definition(energy, bin_s, 0.050),
            _explain_energy,
        ),
        Quantity(
            "Ts", "centre time", "s", "ISO 3382-1:2009, A.2.4", decay.centre_time, _explain_energy
        ),
        Quantity(
            "G",
            "sound strength",
            "dB",
            "ISO 3382-1:2009, A.2.1",
            lambda energy, _bin_s, _direct: decay.strength_db(energy),
            _explain_energy,
        ),
        Quantity(
            "curvature",
            "curvature of the decay",
            "%",
            "ISO 3382-2:2008, annex B",
            _curvature,
            lambda energy, bin_s: T30.explain(energy, bin_s) or T20.explain(energy, bin_s),
        ),
    )
}
"""Clause numbers of ISO 3382 are from memory."""
