"""How many digits a number deserves: as many as its uncertainty leaves."""

from __future__ import annotations

import math

CM_PER_INCH = 2.54
_QUARTERS = ("", "¼", "½", "¾")


def decimals_for(standard_error: float) -> int:
    """Decimals that keep one significant digit of the standard error, two where it starts with 1.

    An error of 0.0023 asks for 3 decimals, 0.014 for 3, 12 for 0.
    """
    exponent = math.floor(math.log10(standard_error))
    leading = round(standard_error / 10.0**exponent, 6)
    digits = 2 if leading < 1.95 else 1
    return max(0, digits - 1 - exponent)


def rounded(value: float, standard_error: float) -> tuple[str, str]:
    """Value and standard error as printed, with the same number of decimals.

    An error of zero (a value without sampling) keeps three decimals at most.

    Examples
    --------
    >>> rounded(0.21349, 0.00231)
    ('0.213', '0.002')
    >>> rounded(9.5424, 0.0)
    ('9.542', '0')
    """
    if not standard_error > 0:
        return f"{tidy(value, 3)}", "0"
    places = min(decimals_for(standard_error), 9)
    return tidy(value, places), f"{standard_error:.{places}f}"


def with_error(value: float, standard_error: float) -> str:
    """'0.213 ±0.002'."""
    return " ±".join(rounded(value, standard_error))


def tidy(value: float, decimals: int) -> str:
    """Fixed-point text without a minus sign before zero; a true minus sign otherwise."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "\N{MINUS SIGN}")


def centimetres(length_m: float) -> str:
    """Whole centimetres, as read from a tape: '101 cm'."""
    return f"{tidy(100.0 * length_m, 0)} cm"


def inches(length_m: float) -> str:
    """Inches to the nearest quarter: '39¾ in'."""
    quarters = round(abs(length_m) * 100.0 / CM_PER_INCH * 4)
    whole, rest = divmod(quarters, 4)
    number = f"{whole}{_QUARTERS[rest]}" if whole or not rest else _QUARTERS[rest]
    sign = "\N{MINUS SIGN}" if length_m < 0 and quarters else ""
    return f"{sign}{number} in"
