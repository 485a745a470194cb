"""Effects of the factors on quantities, with intervals corrected for many comparisons.

Ordinary least squares on the runs' means over sources and receivers, main effects only: every
level of a factor against its control, a slope for a factor that has a range. Seeds are blocks,
for runs of one seed share their random numbers. Intervals are of single effects; p values are
corrected by Holm's method (Holm 1979) over all effects of the file.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.errors import ResultError, SettingsError
from raysim.files import why_not_written, write_whole
from raysim.results.data_set import read_quantity
from raysim.results.layout import QUANTITY_LABELS
from raysim.study.design import Factor
from raysim.study.plan import Shelf
from raysim.study.read import Study

Array = NDArray[np.float64]

LEVEL = 0.95
SURE_BELOW = 0.05
"""Of the corrected p value."""
COLUMNS = (
    "quantity",
    "unit",
    "band_hz",
    "factor",
    "level",
    "against",
    "effect",
    "low",
    "high",
    "p",
    "p_holm",
    "runs",
    "degrees_of_freedom",
    "residual",
    "reason",
)


@dataclass(frozen=True)
class Term:
    """A column of the model.

    Attributes
    ----------
    factor, level, against : str
        'per 1' in `level` for a slope, and then nothing in `against`.
    column : (row,) float
    """

    factor: str
    level: str
    against: str
    column: Array


@dataclass
class Effect:
    """One estimated effect.

    Attributes
    ----------
    quantity : str
    band_hz : float
    term : Term
    effect, low, high : float
        In the quantity's unit, with the 95 % interval.
    p, p_holm : float
        Of no effect; corrected over all effects.
    rows, degrees_of_freedom : int
        Means that the model was fitted to, and what is left of them.
    residual : float
        Standard deviation of what the model leaves, in the quantity's unit.
    reason : str
        Why there is no effect.
    """

    quantity: str
    band_hz: float
    term: Term
    effect: float = np.nan
    low: float = np.nan
    high: float = np.nan
    p: float = np.nan
    p_holm: float = np.nan
    rows: int = 0
    degrees_of_freedom: int = 0
    residual: float = np.nan
    reason: str = ""


def ensure_affordable(study: Study) -> None:
    """Refuse before the night what would fail after it.

    Raises
    ------
    SettingsError
        Effects are asked for and statsmodels is missing, or a band or a control isn't there.
    """
    if study.effects is None:
        return
    if find_spec("statsmodels") is None:
        raise SettingsError(
            "effects: statsmodels isn't installed; pip install 'raysim[effects]', or take "
            "[effects] out"
        )
    for band in study.effects.bands:
        if band not in study.scene.bands_hz:
            listed = ", ".join(f"{f:g}" for f in study.scene.bands_hz)
            raise SettingsError(f"effects.bands: {band:g} Hz; the scene has {listed} Hz")
    levels = {factor.name: factor.labels for factor in study.factors if factor.labels}
    for name, label in study.effects.control.items():
        known = study.variants if name == "variant" else levels.get(name, ())
        if label not in known:
            raise SettingsError(
                f"effects.control.{name}: '{label}' is no level of it; there are "
                f"{', '.join(known) or 'none'}"
            )


def estimate_effects(study: Study, shelf: Shelf) -> list[Effect]:
    """Effects asked for in the study, from the merged data of its folder."""
    assert study.effects is not None
    terms = _terms(study)
    blocks = _blocks(study)
    found: list[Effect] = []
    for quantity in study.effects.quantities:
        for band in study.effects.bands:
            values = read_quantity(shelf.data_path, quantity, study.scene.bands_hz.index(band))
            found += _fit(quantity, band, values.mean(axis=(2, 3)).ravel(), terms, blocks)
    _correct(found)
    return found


def _terms(study: Study) -> list[Term]:
    """Columns of the factors, one row a run and variant."""
    assert study.effects is not None
    control, variants = study.effects.control, len(study.variants)
    terms: list[Term] = []
    for position, factor in enumerate(study.factors):
        values = [study.point_of(run)[position] for run in range(study.runs)]
        for term in _of_factor(factor, values, control.get(factor.name)):
            terms.append(_with_column(term, np.repeat(term.column, variants)))
    if variants > 1:
        names = np.tile(np.array(study.variants), study.runs)
        terms += _levels("variant", names, study.variants, control.get("variant"))
    return terms


def _with_column(term: Term, column: Array) -> Term:
    return Term(term.factor, term.level, term.against, column)


def _of_factor(factor: Factor, values: Sequence[Any], control: str | None) -> list[Term]:
    if factor.limits is not None:
        return [Term(factor.name, "per 1", "", np.array(values, dtype=float))]
    labels = [factor.label_of(value) for value in values]
    known = factor.labels or tuple(dict.fromkeys(labels))
    return _levels(factor.name, np.array(labels), known, control)


def _levels(
    name: str, labels: NDArray[np.str_], known: Sequence[str], control: str | None
) -> list[Term]:
    against = control or known[0]
    return [
        Term(name, level, against, (labels == level).astype(float))
        for level in known
        if level != against
    ]


def _blocks(study: Study) -> Array:
    """A constant, and a column for every further seed; (row, block)."""
    seeds = np.array([study.seed_of(run) for run in range(study.runs)])
    columns = [np.ones(study.runs), *(seeds == seed for seed in study.seeds[1:])]
    return np.repeat(np.stack(columns, axis=1).astype(float), len(study.variants), axis=0)


def _fit(
    quantity: str, band: float, values: Array, terms: Sequence[Term], blocks: Array
) -> list[Effect]:
    from statsmodels.regression.linear_model import OLS

    known = np.isfinite(values)
    model = np.column_stack([blocks, *(term.column for term in terms)])[known]
    effects = [Effect(quantity, band, term, rows=int(known.sum())) for term in terms]
    left = int(known.sum()) - model.shape[1]
    reason = ""
    if not known.any():
        reason = "undefined in all runs"
    elif np.linalg.matrix_rank(model) < model.shape[1]:
        reason = "the runs that are there can't tell the effects apart; compute the others"
    elif left < 1:
        reason = "as many effects as runs; add seeds"
    if reason:
        for effect in effects:
            effect.reason = reason
        return effects
    fit = OLS(values[known], model).fit()
    intervals = fit.conf_int(1 - LEVEL)
    for position, effect in enumerate(effects, start=blocks.shape[1]):
        effect.effect, effect.p = float(fit.params[position]), float(fit.pvalues[position])
        effect.low, effect.high = (float(end) for end in intervals[position])
        effect.degrees_of_freedom, effect.residual = left, float(np.sqrt(fit.mse_resid))
    return effects


def _correct(effects: Sequence[Effect]) -> None:
    """Put in the p values corrected over all effects that there are."""
    from statsmodels.stats.multitest import multipletests

    there = [effect for effect in effects if np.isfinite(effect.p)]
    if there:
        corrected = multipletests([effect.p for effect in there], method="holm")[1]
        for effect, p in zip(there, corrected, strict=True):
            effect.p_holm = float(p)


def write_effects(study: Study, shelf: Shelf) -> list[Effect]:
    """Write effects.csv into the folder of a study, from its merged data.

    Raises
    ------
    ResultError
        The disk takes no more.
    """
    effects = estimate_effects(study, shelf)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in effects:
        numbers = (one.effect, one.low, one.high, one.p, one.p_holm)
        writer.writerow(
            [
                one.quantity,
                QUANTITY_LABELS[one.quantity][0],
                f"{one.band_hz:g}",
                one.term.factor,
                one.term.level,
                one.term.against,
                *("" if np.isnan(number) else f"{number:.6g}" for number in numbers),
                one.rows,
                one.degrees_of_freedom,
                "" if np.isnan(one.residual) else f"{one.residual:.6g}",
                one.reason,
            ]
        )
    path = shelf.folder / "effects.csv"
    try:
        write_whole(path, text.getvalue().encode("utf-8"))
    except OSError as error:
        raise ResultError(why_not_written(path, error)) from None
    return effects
