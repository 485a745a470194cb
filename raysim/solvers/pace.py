"""How far a run is and how long it may still take, judged by its own finished rounds."""

from __future__ import annotations

import math

LARGEST_SHOWN = 0.99  # done is what has ended


def left_s(fraction: float, spent_s: float) -> float | None:
    """Seconds left of a steady task of which a fraction, 0..1, is done; None where none is."""
    return spent_s * (1 - fraction) / fraction if fraction > 0 else None


class Pace:
    """Fraction done and time left.

    The first round includes compiling, so time counts from its end, and nothing is said of what
    is left until a second one is done. What is wanted may grow while a run learns how precise it
    is; the fraction never falls back.

    Parameters
    ----------
    limit_s : float or None
        Seconds from the start after which the run stops in any case.
    """

    def __init__(self, limit_s: float | None = None) -> None:
        self._limit_s = math.inf if limit_s is None else limit_s
        self._first: tuple[int, float] | None = None
        self._fraction = 0.0

    def finished(self, rounds: int, spent_s: float) -> None:
        """Note that round number `rounds` ended `spent_s` after the start."""
        if self._first is None:
            self._first = (rounds, spent_s)

    def judge(self, rounds: int, wanted: float, spent_s: float) -> tuple[float, float | None]:
        """Fraction done, 0..1, and seconds left or None while nobody knows.

        Parameters
        ----------
        rounds : int
            Finished so far.
        wanted : float
            Rounds at which the run is expected to stop; NaN while nothing is known.
        spent_s : float
            Seconds since the start.
        """
        if self._first is None or rounds == self._first[0] or math.isnan(wanted):
            return self._fraction, None
        since_s = spent_s - self._first[1]
        left_s = (wanted - rounds) * since_s / (rounds - self._first[0])
        left_s = max(0.0, min(left_s, self._limit_s - spent_s))
        if since_s > 0:
            share = min(LARGEST_SHOWN, since_s / (since_s + left_s))
            self._fraction = max(self._fraction, share)
        return self._fraction, left_s
