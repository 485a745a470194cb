"""A result against what standards ask of control and listening rooms."""

from __future__ import annotations

import numpy as np

from raysim.bands import band_name
from raysim.estimate import Estimate
from raysim.quantities.evaluation import average
from raysim.quantities.reflections import (
    EarlyReflection,
    criterion_bands,
    early_reflections,
    no_criterion_band,
)
from raysim.quantities.validity import ray_validity
from raysim.results.checks import Check
from raysim.results.data import Result
from raysim.scene.playing import plays
from raysim.theory import criteria


def check_all(result: Result) -> tuple[Check, ...]:
    """Mean decay time, its tolerance per band, and early reflections, for every variant.

    The mean decay time is T20 averaged over positions and those bands within 200 Hz to 4 kHz
    that lie above the Schroeder frequency, and its row names them; the tolerance per band is
    taken about the nominal decay time of the room's volume.
    """
    return (*_mean_decay(result), *_decay_per_band(result), *_reflections(result))


def verdict_of(value: Estimate, limit: float, at_most: bool) -> list[str]:
    """'met', 'not met', "can't tell" or 'not evaluated' for every element of the Estimate."""
    low, high = (bound.ravel() for bound in value.interval())
    verdicts = []
    for below, above in zip(low, high, strict=True):
        inside, outside = (
            (above <= limit, below > limit)
            if at_most
            else (
                below >= limit,
                above < limit,
            )
        )
        if np.isnan(below):
            verdicts.append("not evaluated")
        else:
            verdicts.append("met" if inside else "not met" if outside else "can't tell")
    return verdicts


def _rows(
    result: Result, name: str, value: Estimate, limit: float, at_most: bool, source: str
) -> list[Check]:
    """One row a variant for an Estimate (variant,) in seconds."""
    sense = "at most" if at_most else "at least"
    verdicts = verdict_of(value, limit, at_most)
    return [
        Check(
            criterion=f"{name}, {sense}",
            variant=variant,
            value=float(value.value[v]),
            standard_error=float(value.standard_error[v]),
            limit=limit,
            unit="s",
            verdict=verdicts[v],
            reason=str(value.reason[v]),
            source=source,
        )
        for v, variant in enumerate(result.variants)
    ]


def _mean_decay(result: Result) -> list[Check]:
    low, high = criteria.DECAY_BANDS_HZ
    sounding = plays(result.scene).any(axis=0)
    valid = np.asarray(ray_validity(result).all(axis=(0, 1, 2)) & sounding)
    labels = zip(result.scene.bands_hz, valid, strict=True)
    bands = [f for f, is_valid in labels if is_valid and low <= f <= high]
    if not bands:
        return []
    value = average(result, "T20", bands)
    name = f"mean decay time {band_name(bands[0])} to {band_name(bands[-1])}"
    nominal = criteria.nominal_decay_time(result.scene.volume)
    low_s, high_s = criteria.DECAY_RANGE_S
    return [
        *_rows(result, name, value, nominal - 0.05, False, criteria.DECAY_SOURCE),
        *_rows(result, name, value, nominal + 0.05, True, criteria.DECAY_SOURCE),
        *_rows(result, name, value, low_s, False, criteria.DECAY_RANGE_SOURCE),
        *_rows(result, name, value, high_s, True, criteria.DECAY_RANGE_SOURCE),
    ]


def _decay_per_band(result: Result) -> list[Check]:
    per_band = average(result, "T20")
    nominal = criteria.nominal_decay_time(result.scene.volume)
    lower, upper = criteria.decay_tolerance_s(result.scene.bands_hz)
    rows = []
    for b, label in enumerate(result.scene.bands_hz):
        value = Estimate(
            per_band.value[:, b],
            per_band.standard_error[:, b],
            per_band.batches,
            per_band.reason[:, b],
        )
        for deviation, at_most in ((lower[b], False), (upper[b], True)):
            if np.isfinite(deviation):
                limit = nominal + float(deviation)
                name = f"decay time at {band_name(label)}"
                rows += _rows(result, name, value, limit, at_most, criteria.DECAY_SOURCE)
    return rows


def _reflections(result: Result) -> list[Check]:
    labels = result.scene.bands_hz
    judged = early_reflections(result)
    sounding = plays(result.scene)
    rows = []
    for v, variant in enumerate(result.variants):
        for s, source in enumerate(result.scene.sources):
            bands = [b for b in criterion_bands(labels) if sounding[s, b]]
            for r, receiver in enumerate(result.scene.receivers):
                here = [one for one in judged if _key(one) == (v, s, r)]
                worst = max((one.level_db for one in here), default=-np.inf)
                name = f"strongest reflection within 15 ms, {source.name} to {receiver.name}"
                if bands:
                    name += f", {band_name(labels[bands[0]])} to {band_name(labels[bands[-1]])}"
                reason = "" if bands else no_criterion_band(labels)
                rows.append(_reflection_row(name, variant, worst, reason))
    return rows


def _reflection_row(name: str, variant: str, worst_db: float, reason: str) -> Check:
    limit = criteria.REFLECTION_LEVEL_DB
    is_met = worst_db <= limit + 1e-9
    return Check(
        criterion=f"{name}, at most",
        variant=variant,
        value=np.nan if reason else worst_db,
        standard_error=np.nan if reason else 0.0,
        limit=limit,
        unit="dB",
        verdict="not evaluated" if reason else "met" if is_met else "not met",
        reason=reason,
        source=criteria.REFLECTION_SOURCE,
    )


def _key(one: EarlyReflection) -> tuple[int, int, int]:
    path = one.reflection
    return path.variant, path.source, path.receiver
