"""What a scene file may say: keys, kinds of value and their limits."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from raysim.scene import values
from raysim.scene.values import (
    Corner,
    Length,
    Outline,
    PerBand,
    Point2,
    Point3,
    Position,
    Rectangle,
    Sizes,
    Text,
    Unit,
    UpAxis,
    Values,
)

ON_FACETS = ("panel", "diffuser", "tiles", "membrane", "resonator")
OBJECTS = ("corner trap", "edge trap", "cloud", "screen")
KINDS = (*ON_FACETS, *OBJECTS)
FIXINGS = ("drilled", "glued", "hung", "standing")
PATTERNS = (
    "side reflections",
    "cloud above the desk",
    "front wall behind loudspeakers",
    "rear wall",
    "corner traps",
    "edge traps",
)


class Section(BaseModel):
    """A table of the file; keys it does not name are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=False)


class RoomSection(Section):
    """One of mesh, outline or size."""

    size: Annotated[
        Point3 | None, BeforeValidator(values.lengths("length, width, height", values.positive))
    ] = None
    outline: Outline | None = None
    height: Length | None = None
    ceiling: Annotated[tuple[Point3, ...] | None, BeforeValidator(values.corners("x, y, z"))] = None
    mesh: Text | None = None
    unit: Unit | None = None
    up: UpAxis | None = None
    tolerance: Length | None = None
    unusual_size: Annotated[bool, BeforeValidator(values.yes_or_no)] = False


class ClimateSection(Section):
    """Air in the room."""

    temperature_c: Annotated[float, BeforeValidator(values.between(-10, 45, "°C"))] = 20.0
    humidity_percent: Annotated[float, BeforeValidator(values.between(1, 100, "%"))] = 50.0
    pressure_kpa: Annotated[float, BeforeValidator(values.between(50, 120, "kPa"))] = 101.325


class MaterialSection(Section):
    """A material by name of the table, by coefficients or by layers."""

    base: Text | None = Field(default=None, alias="from")
    absorption: Values | None = None
    scattering: Values | None = None
    range: Annotated[tuple[PerBand, PerBand] | None, BeforeValidator(values.range_of)] = None
    reference: Text | None = None
    chamber: Annotated[Point2 | None, BeforeValidator(values.chamber)] = None
    layers: Annotated[tuple[str, ...] | None, BeforeValidator(values.layers)] = None


class ObjectSection(Section):
    """A thing in the room: box, prism or mesh."""

    box: Annotated[tuple[Point3, Point3] | None, BeforeValidator(values.ends)] = None
    at: Position | None = None
    size: Sizes | None = None
    prism: Outline | None = None
    z: Annotated[Point2 | None, BeforeValidator(values.heights)] = None
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
    hard: Annotated[bool, BeforeValidator(values.yes_or_no)] = False
    depth: Annotated[float, BeforeValidator(values.zero_or_more)] = 0.0
    swing: Annotated[str | None, BeforeValidator(values.choice("left", "right"))] = None


class TreatmentSection(Section):
    """Something to hang, glue or stand in the room, in one piece or several."""

    kind: Annotated[str | None, BeforeValidator(values.choice(*KINDS))] = None
    pattern: Annotated[str | None, BeforeValidator(values.choice(*PATTERNS))] = None
    on: Annotated[tuple[str, ...] | None, BeforeValidator(values.names)] = None
    at: Annotated[tuple[float, ...] | str | None, BeforeValidator(values.place)] = None
    size: Annotated[tuple[float, ...] | None, BeforeValidator(values.sides)] = None
    z: Annotated[Point2 | None, BeforeValidator(values.heights)] = None
    along: Annotated[Point2 | None, BeforeValidator(values.stretch)] = None
    shape: Annotated[str, BeforeValidator(values.choice("triangular", "square"))] = "triangular"
    tiles: Annotated[tuple[int, int] | None, BeforeValidator(values.counts)] = None
    spacing: Annotated[float, BeforeValidator(values.zero_or_more)] = 0.0
    material: Text | None = None
    layers: Annotated[tuple[str, ...] | None, BeforeValidator(values.layers)] = None
    thickness: Length | None = None
    gap: Annotated[float, BeforeValidator(values.zero_or_more)] = 0.0
    fixing: Annotated[str | None, BeforeValidator(values.choice(*FIXINGS))] = None
    cost: Annotated[float | None, BeforeValidator(values.between(0, 1e9, "of money"))] = None
    weight: Annotated[float | None, BeforeValidator(values.mass)] = None
    phase: Annotated[int, BeforeValidator(values.whole)] = 1
    owned: Annotated[bool, BeforeValidator(values.yes_or_no)] = False
    margin: Annotated[float, BeforeValidator(values.zero_or_more)] = 0.05
    places: Annotated[tuple[str, ...] | None, BeforeValidator(values.names)] = None
    override: Annotated[tuple[str, ...], BeforeValidator(values.names)] = ()


class VariantSection(Section):
    """The room with treatments, other materials, or things moved."""

    treatments: Annotated[tuple[str, ...], BeforeValidator(values.names)] = ()
    surfaces: dict[str, Text] = {}
    sources: dict[str, Position] = {}
    receivers: dict[str, Position] = {}
    note: Text | None = None


class LoudspeakerSection(Section):
    """How a loudspeaker radiates: by its sizes, or by a file."""

    cabinet: Annotated[
        Point3 | None, BeforeValidator(values.lengths("width, depth, height", values.positive))
    ] = None
    drivers: Annotated[tuple[float, ...] | None, BeforeValidator(values.diameters)] = None
    crossover_hz: Annotated[tuple[float, ...] | None, BeforeValidator(values.frequencies)] = None
    crossover_order: Annotated[int | None, BeforeValidator(values.even_order)] = None
    lowpass_hz: Annotated[float | None, BeforeValidator(values.between(20, 20000, "Hz"))] = None
    directivity: Text | None = None


class SourceSection(Section):
    """A loudspeaker's acoustic centre."""

    position: Position
    aim: Annotated[Point3 | str | None, BeforeValidator(values.target)] = None
    level_db: Annotated[float, BeforeValidator(values.between(-60, 60, "dB"))] = 0.0
    loudspeaker: Text | None = None
    delay_ms: Annotated[float, BeforeValidator(values.between(0, 100, "ms"))] = 0.0
    inverted: Annotated[bool, BeforeValidator(values.yes_or_no)] = False
    highpass_hz: Annotated[float | None, BeforeValidator(values.between(20, 20000, "Hz"))] = None


class ReceiverSection(Section):
    """A listener's head."""

    position: Position
    facing: Annotated[Point3 | str | None, BeforeValidator(values.target)] = None
    zone: Annotated[Point3, BeforeValidator(values.zone)] = (0.15, 0.15, 0.15)


class SceneFile(Section):
    """The whole file."""

    title: Text | None = None
    bands: Annotated[Point2 | None, BeforeValidator(values.bands)] = None
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
    treatments: dict[str, TreatmentSection] = {}
    variants: dict[str, VariantSection] = {}


def sections() -> dict[str, type[Section]]:
    """Section class by table name; tables of named things hold one each."""
    return {
        "room": RoomSection,
        "climate": ClimateSection,
        "materials": MaterialSection,
        "objects": ObjectSection,
        "patches": PatchSection,
        "keep_clear": KeepClearSection,
        "treatments": TreatmentSection,
        "variants": VariantSection,
        "loudspeakers": LoudspeakerSection,
        "sources": SourceSection,
        "receivers": ReceiverSection,
    }


def keys_of(section: type[Section]) -> list[str]:
    """Keys as written in the file."""
    return [field.alias or name for name, field in section.model_fields.items()]
