"""Lengths and masses as people write them, in metres and kilograms; counts as they say them."""

from __future__ import annotations

import math
import re

METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
LARGEST_M = 1e6
KILOGRAMS = {"kg": 1.0, "g": 0.001, "lb": 0.45359237}
LARGEST_KG = 1e5

_NUMBER = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_METRIC = re.compile(rf"([+-]?{_NUMBER})\s*(m|cm|mm)?", re.IGNORECASE)
_MASS = re.compile(rf"({_NUMBER})\s*(kg|g|lb)?", re.IGNORECASE)
_IMPERIAL = re.compile(
    rf"([+-]?)\s*(?:({_NUMBER})\s*(?:ft|feet|foot|'))?\s*"
    rf"(?:(?:({_NUMBER})\s+)?({_NUMBER})(?:/([0-9]+))?\s*(?:inches|inch|in|\"))?",
    re.IGNORECASE,
)
_MARKS = str.maketrans({"′": "'", "’": "'", "″": '"', "”": '"', "−": "-"})


def length_m(value: object) -> float:
    """Length in metres from a number (metres) or text with a unit.

    Text may be "3.42", "3.42 m", "342cm", "3420 mm", "11ft2in", "11 ft", "10 1/2 in"; feet and
    inches also by their marks.
    International foot and inch: 0.3048 m, 0.0254 m.

    Parameters
    ----------
    value : int, float or str

    Returns
    -------
    float, m

    Raises
    ------
    ValueError
        Anything else; one sentence with the remedy.

    Examples
    --------
    >>> length_m("342cm")
    3.42
    >>> round(length_m("13ft9in"), 4)
    4.191
    """
    if isinstance(value, str):
        return _within(_from_text(value), value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f'{value!r} is not a length; write 3.42 or "342cm" or "11ft2in"')
    return _within(float(value) if abs(value) <= LARGEST_M else math.inf, value)


def mass_kg(value: str) -> float:
    """Mass in kg from text: "12", "12kg", "800 g", "26lb" (pound of 0.45359237 kg).

    Raises
    ------
    ValueError
        Anything else, or not more than 0.
    """
    match = _MASS.fullmatch(value.strip())
    kilograms = float(match[1]) * KILOGRAMS[(match[2] or "kg").lower()] if match else 0.0
    if not 0 < kilograms <= LARGEST_KG:
        raise ValueError(f"'{value}' is not a mass; write kilograms as 12 or 12kg, or 26lb")
    return kilograms


def without_comma(text: str) -> str:
    """How to write a number that has a comma: 'write a decimal point, ...'."""
    point = text.replace(",", ".", 1)
    if re.match(r"[1-9][0-9]{0,2}(,[0-9]{3})+(?![0-9])", text):
        return f"write '{text.replace(',', '')}', or a decimal point, '{point}'"
    return f"write a decimal point, '{point}'"


def _within(metres: float, value: object) -> float:
    if not math.isfinite(metres) or abs(metres) > LARGEST_M:
        raise ValueError(f"{value!s:.40} is no length of a room; give metres as a finite number")
    return metres


def _from_text(value: str) -> float:
    text = value.strip().translate(_MARKS).replace("''", '"')
    if re.search(r"[0-9],[0-9]", text):
        raise ValueError(f"'{value}' has a comma; {without_comma(text)}")
    metric = _METRIC.fullmatch(text)
    if metric:
        number, unit = metric.groups()
        per_metre = {"m": 1, "cm": 100, "mm": 1000}[(unit or "m").lower()]
        return float(number) / per_metre
    imperial = _IMPERIAL.fullmatch(text)
    if imperial and (imperial[2] or imperial[4]):
        return _feet_and_inches(value, *imperial.groups())
    raise ValueError(
        f"'{value}' is not a length; write metres as 3.42, or a unit: "
        "'342cm', '3420mm', '11ft2in', '134in'"
    )


def _feet_and_inches(
    value: str,
    sign: str,
    feet: str | None,
    whole: str | None,
    inches: str | None,
    divisor: str | None,
) -> float:
    if (whole and not divisor) or (divisor and int(divisor) == 0):
        raise ValueError(f"'{value}' is not a length; write inches as '10in' or '10 1/2in'")
    length_in = float(whole or 0) + float(inches or 0) / int(divisor or 1)
    if feet and length_in >= 12:
        raise ValueError(f"'{value}' has 12 inches or more beside feet; write feet and 0 to 11.99")
    total = float(feet or 0) * METRES["ft"] + length_in * METRES["in"]
    return -total if sign == "-" else total


def counted(number: int, noun: str) -> str:
    """'1 seat', '3 seats'; for nouns that take an s."""
    return f"{number} {noun}{'' if number == 1 else 's'}"
