"""Criteria and whether a result meets them, as rows of the result file."""

from __future__ import annotations

from dataclasses import dataclass

VERDICTS = ("met", "not met", "can't tell", "not evaluated")


@dataclass(frozen=True)
class Check:
    """One limit and what the result says of it.

    Attributes
    ----------
    criterion : str
        In words, with 'at most' or 'at least'.
    variant : str
    value, standard_error, limit : float
        In `unit`; NaN where not evaluated.
    unit : str
    verdict : str
        One of `VERDICTS`; 'can't tell' where the limit lies in the 95 % interval.
    reason : str
        Why it was not evaluated; else empty.
    source : str
        Source of the limit.
    """

    criterion: str
    variant: str
    value: float
    standard_error: float
    limit: float
    unit: str
    verdict: str
    reason: str
    source: str
