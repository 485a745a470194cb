"""What a scene file may say: keys, kinds of value and their limits."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from raysim.surfaces.chamber import SAMPLE_M
from raysim.units import length_m

Point3 = tuple[float, float, float]
Point2 = tuple[float, float]
PerBand = tuple[float, ...]


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{_shown(value)} is not text; write text in quotes")
    return value


def _between(low: float, high: float, unit: str) -> Callable[[object], float]:
    def check(value: object) -> float:
        number = _number(value)
        if not low <= number <= high:
            raise ValueError(f"{number:g} {unit} is outside {low:g} to {high:g} {unit}")
        return number

    return check


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{_shown(value)} is not a number; write one without quotes and unit")
    if not -1e300 < value < 1e300:
        raise ValueError(f"{_shown(value)} is not a finite number; give one")
    return float(value)


def _positive(value: object) -> float:
    metres = length_m(value)
    if not metres > 0:
        raise ValueError(f"{_shown(value)} is not more than 0; a size is positive")
    return metres


def _zero_or_more(value: object) -> float:
    metres = length_m(value)
    if metres < 0:
        raise ValueError(f"{_shown(value)} is negative; give 0 or more")
    return metres


def _lengths(names: str, one: Callable[[object], float] = length_m) -> Callable[[object], Any]:
    count = len(names.split(","))

    def check(value: object) -> tuple[float, ...]:
        if not isinstance(value, list) or len(value) != count:
            raise ValueError(f"{_counted(value)}; give {count}: [{names}]")
        return tuple(one(item) for item in value)

    return check


def _corners(names: str) -> Callable[[object], Any]:
    point = _lengths(names)

    def check(value: object) -> tuple[Any, ...]:
        if not isinstance(value, list) or len(value) < 3:
            raise ValueError(f"{_counted(value)}; give at least 3 corners [[{names}], ...]")
        return tuple(point(item) for item in value)

    return check


def _ends(value: object) -> Any:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"{_counted(value)}; give two opposite corners [[x, y, z], [x, y, z]]")
    first, second = (_lengths("x, y, z")(corner) for corner in value)
    flat = [axis for axis, a, b in zip("xyz", first, second, strict=True) if abs(a - b) < 1e-3]
    if flat:
        raise ValueError(f"the corners are less than 1 mm apart along {flat[0]}; give it thickness")
    return first, second


def _heights(value: object) -> Any:
    low, high = _lengths("bottom, top")(value)
    if high - low < 1e-3:
        raise ValueError(f"top {high:g} m is not above bottom {low:g} m; give [bottom, top]")
    return low, high


def _per_band(value: object) -> PerBand:
    values = value if isinstance(value, list) else [value]
    if not values:
        raise ValueError("the list is empty; give one number or one for each band")
    return tuple(_number(item) for item in values)


def _range(value: object) -> tuple[PerBand, PerBand]:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(
            f"{_counted(value)}; give [low, high], each one number or a list with one for each band"
        )
    return _per_band(value[0]), _per_band(value[1])


def _layers(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise ValueError(
            f"{_counted(value)}; give a list of texts, front first: "
            '["porous 100mm 12000", "gap 50mm"]'
        )
    return tuple(value)


def _chamber(value: object) -> Any:
    if isinstance(value, bool):
        return SAMPLE_M if value else None
    if not isinstance(value, list):
        raise ValueError(f"{_shown(value)} is neither true nor the sample's [width, length]")
    width, length = _lengths("width, length", _positive)(value)
    if not (0.3 <= width <= 10 and 0.3 <= length <= 10):
        raise ValueError(
            f"a sample of {width:g} x {length:g} m is outside 0.3 to 10 m; chambers take 10 to 12 "
            "m2, and true stands for 3 x 3.6 m"
        )
    return width, length


def _zone(value: object) -> Any:
    if isinstance(value, list):
        return _lengths("half width, half depth, half height", _zero_or_more)(value)
    return (_zero_or_more(value),) * 3


def _target(value: object) -> Any:
    return _lengths("x, y, z")(value) if isinstance(value, list) else _text(value)


def _choice(*allowed: str) -> Callable[[object], str]:
    def check(value: object) -> str:
        if value not in allowed:
            raise ValueError(f"{_shown(value)} is not known; give one of {', '.join(allowed)}")
        return str(value)

    return check


def _bands(value: object) -> Any:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"{_counted(value)}; give [lowest, highest] octave in Hz")
    return tuple(_number(item) for item in value)


def _diameters(value: object) -> Any:
    values = value if isinstance(value, list) else [value]
    if not values:
        raise ValueError("the list is empty; give the diameter of each driver, lowest first")
    diameters = tuple(_positive(item) for item in values)
    odd = [d for d in diameters if not 0.005 <= d <= 1.0]
    if odd:
        raise ValueError(
            f"{odd[0]:g} m is no diameter of a driver; numbers without a unit are metres, write "
            '"18cm"'
        )
    return diameters


def _frequencies(value: object) -> Any:
    values = value if isinstance(value, list) else [value]
    return tuple(_between(20, 20000, "Hz")(item) for item in values)


def _even_order(value: object) -> int:
    if value not in (2, 4, 6, 8) or isinstance(value, bool):
        raise ValueError(f"{_shown(value)} is not an order; give 2, 4, 6 or 8 (12 dB an octave: 2)")
    return int(str(value))


def _shown(value: object) -> str:
    text = f"'{value}'" if isinstance(value, str) else f"{value!s}"
    return text if len(text) <= 40 else f"{text[:37]}..."


def _counted(value: object) -> str:
    if isinstance(value, list):
        hint = "; a decimal comma splits a number in two" if len(value) in (4, 6) else ""
        return f"{len(value)} value{'' if len(value) == 1 else 's'}{hint}"
    return f"{_shown(value)} is not a list"


Text = Annotated[str, BeforeValidator(_text)]
Length = Annotated[float, BeforeValidator(_positive)]
Position = Annotated[Point3, BeforeValidator(_lengths("x, y, z"))]
Sizes = Annotated[Point3, BeforeValidator(_lengths("along x, along y, along z", _positive))]
Rectangle = Annotated[Point2, BeforeValidator(_lengths("width, height", _positive))]
Corner = Annotated[Point2, BeforeValidator(_lengths("across, up"))]
Outline = Annotated[tuple[Point2, ...], BeforeValidator(_corners("x, y"))]
Values = Annotated[PerBand, BeforeValidator(_per_band)]
Unit = Annotated[str, BeforeValidator(_choice("m", "cm", "mm", "in", "ft"))]
UpAxis = Annotated[str, BeforeValidator(_choice("x", "y", "z"))]


class Section(BaseModel):
    """A table of the file; keys it does not name are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=False)


class RoomSection(Section):
    """One of mesh, outline or size."""

    size: Annotated[
        Point3 | None, BeforeValidator(_lengths("length, width, height", _positive))
    ] = None
    outline: Outline | None = None
    height: Length | None = None
    ceiling: Annotated[tuple[Point3, ...] | None, BeforeValidator(_corners("x, y, z"))] = None
    mesh: Text | None = None
    unit: Unit | None = None
    up: UpAxis | None = None
    tolerance: Length | None = None


class ClimateSection(Section):
    """Air in the room."""

    temperature_c: Annotated[float, BeforeValidator(_between(-10, 45, "°C"))] = 20.0
    humidity_percent: Annotated[float, BeforeValidator(_between(1, 100, "%"))] = 50.0
    pressure_kpa: Annotated[float, BeforeValidator(_between(50, 120, "kPa"))] = 101.325


class MaterialSection(Section):
    """A material by name of the table, by coefficients or by layers."""

    base: Text | None = Field(default=None, alias="from")
    absorption: Values | None = None
    scattering: Values | None = None
    range: Annotated[tuple[PerBand, PerBand] | None, BeforeValidator(_range)] = None
    reference: Text | None = None
    chamber: Annotated[Point2 | None, BeforeValidator(_chamber)] = None
    layers: Annotated[tuple[str, ...] | None, BeforeValidator(_layers)] = None


class ObjectSection(Section):
    """A thing in the room: box, prism or mesh."""

    box: Annotated[tuple[Point3, Point3] | None, BeforeValidator(_ends)] = None
    at: Position | None = None
    size: Sizes | None = None
    prism: Outline | None = None
    z: Annotated[Point2 | None, BeforeValidator(_heights)] = None
    mesh: Text | None = None
    unit: Unit | None = None
    up: UpAxis | None = None
    material: Text | None = None


class PatchSection(Section):
    """A rectangle of another material in a surface."""

    on: Text
    at: Corner
    size: Rectangle
    material: Text


class KeepClearSection(Section):
    """A rectangle where nothing may hang."""

    on: Text
    at: Corner
    size: Rectangle
    reason: Text


class LoudspeakerSection(Section):
    """How a loudspeaker radiates: by its sizes, or by a file."""

    cabinet: Annotated[
        Point3 | None, BeforeValidator(_lengths("width, depth, height", _positive))
    ] = None
    drivers: Annotated[tuple[float, ...] | None, BeforeValidator(_diameters)] = None
    crossover_hz: Annotated[tuple[float, ...] | None, BeforeValidator(_frequencies)] = None
    crossover_order: Annotated[int | None, BeforeValidator(_even_order)] = None
    lowpass_hz: Annotated[float | None, BeforeValidator(_between(20, 20000, "Hz"))] = None
    directivity: Text | None = None


class SourceSection(Section):
    """A loudspeaker's acoustic centre."""

    position: Position
    aim: Annotated[Point3 | str | None, BeforeValidator(_target)] = None
    level_db: Annotated[float, BeforeValidator(_between(-60, 60, "dB"))] = 0.0
    loudspeaker: Text | None = None


class ReceiverSection(Section):
    """A listener's head."""

    position: Position
    facing: Annotated[Point3 | str | None, BeforeValidator(_target)] = None
    zone: Annotated[Point3, BeforeValidator(_zone)] = (0.15, 0.15, 0.15)


class SceneFile(Section):
    """The whole file."""

    title: Text | None = None
    bands: Annotated[Point2 | None, BeforeValidator(_bands)] = None
    room: RoomSection | None = None
    climate: ClimateSection = ClimateSection()
    materials: dict[str, MaterialSection] = {}
    surfaces: dict[str, Text] = {}
    objects: dict[str, ObjectSection] = {}
    patches: dict[str, PatchSection] = {}
    keep_clear: dict[str, KeepClearSection] = {}
    loudspeakers: dict[str, LoudspeakerSection] = {}
    sources: dict[str, SourceSection] = {}
    receivers: dict[str, ReceiverSection] = {}
    treatments: Any = None
    variants: Any = None


def sections() -> dict[str, type[Section]]:
    """Section class by table name; tables of named things hold one each."""
    return {
        "room": RoomSection,
        "climate": ClimateSection,
        "materials": MaterialSection,
        "objects": ObjectSection,
        "patches": PatchSection,
        "keep_clear": KeepClearSection,
        "loudspeakers": LoudspeakerSection,
        "sources": SourceSection,
        "receivers": ReceiverSection,
    }


def keys_of(section: type[Section]) -> list[str]:
    """Keys as written in the file."""
    return [field.alias or name for name, field in section.model_fields.items()]
