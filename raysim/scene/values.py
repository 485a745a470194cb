"""Kinds of value that a scene file may hold, and the sentences that refuse others."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BeforeValidator

from raysim.surfaces.chamber import SAMPLE_M
from raysim.units import length_m, mass_kg

Point3 = tuple[float, float, float]
Point2 = tuple[float, float]
PerBand = tuple[float, ...]


def text(value: object) -> str:
    """A text that is not blank."""
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{shown(value)} is not text; write text in quotes")
    return value


def between(low: float, high: float, unit: str) -> Callable[[object], float]:
    """A number within limits, in a unit for the complaint."""

    def check(value: object) -> float:
        given = number(value)
        if not low <= given <= high:
            raise ValueError(f"{given:g} {unit} is outside {low:g} to {high:g} {unit}")
        return given

    return check


def number(value: object) -> float:
    """A finite number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{shown(value)} is not a number; write one without quotes and unit")
    if not -1e300 < value < 1e300:
        raise ValueError(f"{shown(value)} is not a finite number; give one")
    return float(value)


def positive(value: object) -> float:
    """A length above 0, m."""
    metres = length_m(value)
    if not metres > 0:
        raise ValueError(f"{shown(value)} is not more than 0; a size is positive")
    return metres


def zero_or_more(value: object) -> float:
    """A length of 0 or more, m."""
    metres = length_m(value)
    if metres < 0:
        raise ValueError(f"{shown(value)} is negative; give 0 or more")
    return metres


def lengths(names: str, one: Callable[[object], float] = length_m) -> Callable[[object], Any]:
    """A list of as many lengths as there are names."""
    count = len(names.split(","))

    def check(value: object) -> tuple[float, ...]:
        if not isinstance(value, list) or len(value) != count:
            raise ValueError(f"{counted(value)}; give {count}: [{names}]")
        return tuple(one(item) for item in value)

    return check


def corners(names: str) -> Callable[[object], Any]:
    """A list of at least 3 points."""
    point = lengths(names)

    def check(value: object) -> tuple[Any, ...]:
        if not isinstance(value, list) or len(value) < 3:
            raise ValueError(f"{counted(value)}; give at least 3 corners [[{names}], ...]")
        return tuple(point(item) for item in value)

    return check


def ends(value: object) -> Any:
    """Two opposite corners of a box."""
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"{counted(value)}; give two opposite corners [[x, y, z], [x, y, z]]")
    first, second = (lengths("x, y, z")(corner) for corner in value)
    flat = [axis for axis, a, b in zip("xyz", first, second, strict=True) if abs(a - b) < 1e-3]
    if flat:
        raise ValueError(f"the corners are less than 1 mm apart along {flat[0]}; give it thickness")
    return first, second


def heights(value: object) -> Any:
    """Bottom and top, m."""
    low, high = lengths("bottom, top")(value)
    if high - low < 1e-3:
        raise ValueError(f"top {high:g} m is not above bottom {low:g} m; give [bottom, top]")
    return low, high


def stretch(value: object) -> Any:
    """Where a part of an edge begins and ends, m."""
    first, last = lengths("from, to", zero_or_more)(value)
    if last - first < 1e-3:
        raise ValueError(f"{last:g} m isn't behind {first:g} m; give [from, to]")
    return first, last


def per_band(value: object) -> PerBand:
    """One number, or one a band."""
    values = value if isinstance(value, list) else [value]
    if not values:
        raise ValueError("the list is empty; give one number or one for each band")
    return tuple(number(item) for item in values)


def range_of(value: object) -> tuple[PerBand, PerBand]:
    """Low and high end, each as `per_band`."""
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(
            f"{counted(value)}; give [low, high], each one number or a list with one for each band"
        )
    return per_band(value[0]), per_band(value[1])


def layers(value: object) -> tuple[str, ...]:
    """A list of texts."""
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise ValueError(
            f"{counted(value)}; give a list of texts, front first: "
            '["porous 100mm 12000", "gap 50mm"]'
        )
    return tuple(value)


def chamber(value: object) -> Any:
    """True, or the sides of a sample in m; None for false."""
    if isinstance(value, bool):
        return SAMPLE_M if value else None
    if not isinstance(value, list):
        raise ValueError(f"{shown(value)} is neither true nor the sample's [width, length]")
    width, length = lengths("width, length", positive)(value)
    if not (0.3 <= width <= 10 and 0.3 <= length <= 10):
        raise ValueError(
            f"a sample of {width:g} x {length:g} m is outside 0.3 to 10 m; chambers take 10 to 12 "
            "m2, and true stands for 3 x 3.6 m"
        )
    return width, length


def zone(value: object) -> Any:
    """Half-widths along x, y, z from one length or three."""
    if isinstance(value, list):
        return lengths("half width, half depth, half height", zero_or_more)(value)
    return (zero_or_more(value),) * 3


def target(value: object) -> Any:
    """A point or a name."""
    return lengths("x, y, z")(value) if isinstance(value, list) else text(value)


def choice(*allowed: str) -> Callable[[object], str]:
    """One of some words."""

    def check(value: object) -> str:
        if value not in allowed:
            raise ValueError(f"{shown(value)} is not known; give one of {', '.join(allowed)}")
        return str(value)

    return check


def bands(value: object) -> Any:
    """Lowest and highest octave, Hz."""
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"{counted(value)}; give [lowest, highest] octave in Hz")
    return tuple(number(item) for item in value)


def diameters(value: object) -> Any:
    """One or several diameters of drivers, m."""
    values = value if isinstance(value, list) else [value]
    if not values:
        raise ValueError("the list is empty; give the diameter of each driver, lowest first")
    diameters = tuple(positive(item) for item in values)
    odd = [d for d in diameters if not 0.005 <= d <= 1.0]
    if odd:
        raise ValueError(
            f"{odd[0]:g} m is no diameter of a driver; numbers without a unit are metres, write "
            '"18cm"'
        )
    return diameters


def frequencies(value: object) -> Any:
    """One or several frequencies, Hz."""
    values = value if isinstance(value, list) else [value]
    return tuple(between(20, 20000, "Hz")(item) for item in values)


def names(value: object) -> tuple[str, ...]:
    """One name or a list of them."""
    values = value if isinstance(value, list) else [value]
    return tuple(text(item) for item in values)


def place(value: object) -> Any:
    """Two or three coordinates in m, or words."""
    if isinstance(value, str):
        return text(value)
    if not isinstance(value, list) or len(value) not in (2, 3):
        raise ValueError(
            f'{counted(value)}; give [across, up], or words: "centred 1.1m from the front, 1.2m up"'
        )
    return tuple(length_m(item) for item in value)


def sides(value: object) -> tuple[float, ...]:
    """One to three lengths above 0, m."""
    values = value if isinstance(value, list) else [value]
    if len(values) > 3 or not values:
        raise ValueError(f"{counted(value)}; give [width, height], or three for a screen")
    return tuple(positive(item) for item in values)


def counts(value: object) -> tuple[int, int]:
    """Columns and rows."""
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"{counted(value)}; give [columns, rows]")
    columns, rows = (whole(item) for item in value)
    return columns, rows


def whole(value: object) -> int:
    """A whole number from 1 to 99."""
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 99:
        raise ValueError(f"{shown(value)} is not a whole number from 1 to 99")
    return value


def yes_or_no(value: object) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise ValueError(f"{shown(value)} is neither true nor false; write one, without quotes")
    return value


def mass(value: object) -> float:
    """A mass above 0, kg."""
    kilograms = mass_kg(value) if isinstance(value, str) else number(value)
    if kilograms <= 0:
        raise ValueError(f"{shown(value)} is not more than 0; give kilograms")
    return kilograms


def even_order(value: object) -> int:
    """Order of a crossover."""
    if value not in (2, 4, 6, 8) or isinstance(value, bool):
        raise ValueError(f"{shown(value)} is not an order; give 2, 4, 6 or 8 (12 dB an octave: 2)")
    return int(str(value))


def shown(value: object) -> str:
    """A value as complaints quote it."""
    text = f"'{value}'" if isinstance(value, str) else f"{value!s}"
    return text if len(text) <= 40 else f"{text[:37]}..."


def counted(value: object) -> str:
    """How many values were given, for complaints."""
    if isinstance(value, list):
        hint = "; a decimal comma splits a number in two" if len(value) in (4, 6) else ""
        return f"{len(value)} value{'' if len(value) == 1 else 's'}{hint}"
    return f"{shown(value)} is not a list"


Text = Annotated[str, BeforeValidator(text)]
Length = Annotated[float, BeforeValidator(positive)]
Position = Annotated[Point3, BeforeValidator(lengths("x, y, z"))]
Sizes = Annotated[Point3, BeforeValidator(lengths("along x, along y, along z", positive))]
Rectangle = Annotated[Point2, BeforeValidator(lengths("width, height", positive))]
Corner = Annotated[Point2, BeforeValidator(lengths("across, up"))]
Outline = Annotated[tuple[Point2, ...], BeforeValidator(corners("x, y"))]
Values = Annotated[PerBand, BeforeValidator(per_band)]
Unit = Annotated[str, BeforeValidator(choice("m", "cm", "mm", "in", "ft"))]
UpAxis = Annotated[str, BeforeValidator(choice("x", "y", "z"))]
