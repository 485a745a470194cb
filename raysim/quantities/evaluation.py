"""Quantities of a result with standard errors and reasons.

All give Estimates of shape (variant, source, receiver, band). Below the Schroeder frequency they
are undefined with that reason, for rays do not describe a room there; so are decay times in all
bands of a room below the stated range of volumes. `everywhere=True` gives the bare numbers, for
those who compare methods.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.estimate import Estimate, jackknife
from raysim.quantities.definitions import QUANTITIES, Histogram, Quantity, clarity_quantity
from raysim.quantities.validity import (
    invalid_reason,
    ray_validity,
    states_decay,
    too_small_reason,
    transition_frequency,
)
from raysim.results.data import Result
from raysim.scene import playing

Array = NDArray[np.float64]

TOO_FEW_RAYS = "too few rays: without one of the batches it is undefined"


def early_decay_time(result: Result, everywhere: bool = False) -> Estimate:
    """Early decay time in s: the first 10 dB, extrapolated to 60 (ISO 3382-1)."""
    return evaluate(result, QUANTITIES["EDT"], everywhere)


def reverberation_time(result: Result, kind: str = "T20", everywhere: bool = False) -> Estimate:
    """Reverberation time in s; `kind` is 'T20' or 'T30' (ISO 3382-1, -2)."""
    if kind not in ("T20", "T30"):
        raise ValueError(f"kind: {kind!r}; use 'T20' or 'T30'")
    return evaluate(result, QUANTITIES[kind], everywhere)


def clarity(result: Result, early_s: float = 0.050, everywhere: bool = False) -> Estimate:
    """Early-to-late index in dB with the limit `early_s` after the direct sound (ISO 3382-1)."""
    return evaluate(result, clarity_quantity("C", early_s), everywhere)


def definition(result: Result, everywhere: bool = False) -> Estimate:
    """Share of the energy within 50 ms of the direct sound (ISO 3382-1)."""
    return evaluate(result, QUANTITIES["D50"], everywhere)


def centre_time(result: Result, everywhere: bool = False) -> Estimate:
    """Centre time in s (ISO 3382-1)."""
    return evaluate(result, QUANTITIES["Ts"], everywhere)


def sound_strength(result: Result, everywhere: bool = False) -> Estimate:
    """Sound strength G in dB: level re the free field of the same source at 10 m (ISO 3382-1)."""
    return evaluate(result, QUANTITIES["G"], everywhere)


def curvature(result: Result, everywhere: bool = False) -> Estimate:
    """Curvature of the decay in %: 100 (T30/T20 - 1); above 10 is suspect (ISO 3382-2)."""
    return evaluate(result, QUANTITIES["curvature"], everywhere)


def evaluate(result: Result, quantity: Quantity, everywhere: bool = False) -> Estimate:
    """One quantity with its standard error by the jackknife over batches."""
    return _evaluate_many(result, (quantity,), everywhere)[0]


def evaluate_all(result: Result, everywhere: bool = False) -> dict[str, Estimate]:
    """Every quantity of `QUANTITIES` by its key, in one pass over the batches."""
    estimates = _evaluate_many(result, tuple(QUANTITIES.values()), everywhere)
    return dict(zip(QUANTITIES, estimates, strict=True))


def average(
    result: Result,
    key: str,
    bands_hz: Sequence[float] | None = None,
    everywhere: bool = False,
) -> Estimate:
    """Arithmetic mean over sources and receivers, and over bands if given.

    In each band over the sources that play it (`scene.playing`).

    The standard error is of the mean itself, so rays shared by neighbouring receivers are
    allowed for. Undefined where it is at any of the positions.

    Parameters
    ----------
    key : str
        Of `QUANTITIES`.
    bands_hz : sequence of float, optional
        Nominal labels of the bands to average over.

    Returns
    -------
    Estimate
        (variant, band), or (variant,) where `bands_hz` is given.
    """
    labels = result.scene.bands_hz
    chosen = None if bands_hz is None else [labels.index(f) for f in bands_hz]
    quantity, direct = QUANTITIES[key], direct_energy(result)
    counts = of_pairs(playing.counting(result.scene), result)

    def mean(energy: Array) -> Array:
        values = quantity.evaluate(Histogram(energy, result.bin_s, direct))
        values = values.mean(axis=(1, 2), where=counts)
        return np.asarray(values if chosen is None else values[:, chosen].mean(axis=1))

    value, error = jackknife(mean, result.energy_batches)
    (of_each,) = undefined_reasons(result, (quantity,), everywhere)
    reason = np.empty(value.shape, dtype=object)
    for index in np.ndindex(value.shape):
        bands = index[1] if chosen is None else chosen
        reason[index] = first_reason(of_each[index[0]][..., bands][counts[..., bands]])
    return withheld(value, error, reason, len(result.energy_batches))


def of_pairs(of_sources: NDArray[Any], result: Result) -> NDArray[Any]:
    """(source, band) repeated for every receiver: (source, receiver, band)."""
    return np.repeat(of_sources[:, None, :], len(result.scene.receivers), axis=1)


def direct_energy(result: Result) -> Array:
    """Energy of the direct sound, (variant, source, receiver, band); 0 where it is blocked."""
    energy = np.zeros(result.energy_batches.shape[1:5])
    for path in result.reflections:
        if path.order == 0:
            energy[path.variant, path.source, path.receiver] = path.energy
    return energy


def _evaluate_many(
    result: Result, quantities: tuple[Quantity, ...], everywhere: bool
) -> list[Estimate]:
    direct = direct_energy(result)

    def values_of(energy: Array) -> Array:
        histogram = Histogram(energy, result.bin_s, direct)
        return np.stack([quantity.evaluate(histogram) for quantity in quantities])

    values, errors = jackknife(values_of, result.energy_batches)
    reasons = undefined_reasons(result, quantities, everywhere)
    batches = len(result.energy_batches)
    return [withheld(*one, batches) for one in zip(values, errors, reasons, strict=True)]


def undefined_reasons(
    result: Result, quantities: tuple[Quantity, ...], everywhere: bool
) -> list[NDArray[np.object_]]:
    """Why each is undefined, (variant, source, receiver, band); '' where it is defined."""
    whole = Histogram(result.energy, result.bin_s, direct_energy(result))
    valid = np.ones(whole.direct.shape, dtype=bool) if everywhere else ray_validity(result)
    below_hz = transition_frequency(result)
    silent = np.full(valid.shape[1:], "", dtype=object)
    if not everywhere:
        silent = of_pairs(playing.reasons(result.scene), result)
    is_stated = everywhere or states_decay(result)
    reasons = []
    for quantity in quantities:
        reason = np.broadcast_to(silent, valid.shape).copy()
        if quantity.is_of_decay and not is_stated:
            reason[reason == ""] = too_small_reason(result.scene.volume)
            reasons.append(reason)
            continue
        undefined = ~valid | ~np.isfinite(quantity.evaluate(whole))
        for index in np.argwhere(undefined & (silent == "")):
            at = tuple(index)
            one = Histogram(whole.energy[at], result.bin_s, whole.direct[at])
            reason[at] = (
                quantity.explain(one)
                if valid[at]
                else invalid_reason(below_hz[at[0]], quantity.is_of_decay)
            )
        reasons.append(reason)
    return reasons


def withheld(value: Array, error: Array, reason: NDArray[np.object_], batches: int) -> Estimate:
    """An Estimate that is NaN wherever there is a reason, and has one wherever it is NaN."""
    reason = np.where((reason == "") & ~np.isfinite(error), TOO_FEW_RAYS, reason)
    defined = reason == ""
    return Estimate(
        np.where(defined, value, np.nan),
        np.where(defined, error, np.nan),
        batches,
        reason.astype(np.str_),
    )


def first_reason(reasons: NDArray[np.object_]) -> str:
    """Why a mean over these is undefined; empty where none of them is."""
    undefined = reasons[reasons != ""]
    if not undefined.size:
        return ""
    if undefined.size == reasons.size:
        return str(undefined.flat[0])
    return f"undefined in {undefined.size} of {reasons.size} cases: {undefined.flat[0]}"
