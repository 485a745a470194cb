"""What a study file may say."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

from raysim.quantities.definitions import QUANTITIES
from raysim.scene import values as read
from raysim.scene.complaints import Complaints
from raysim.scene.values import Text
from raysim.study.design import KINDS


def _whole(low: int, high: int) -> BeforeValidator:
    def check(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError(f"{read.shown(value)} is not a whole number from {low} to {high}")
        return value

    return BeforeValidator(check)


def _seeds(value: object) -> tuple[int, ...]:
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 100_000:
        return tuple(range(1, value + 1))
    is_list = isinstance(value, list) and value and all(type(item) is int for item in value)
    if not is_list or min(value) < 0 or len(set(value)) < len(value):  # type: ignore[arg-type, call-overload]
        raise ValueError("give the number of seeds, or a list of different whole numbers")
    return tuple(value)  # type: ignore[arg-type]


def _some(value: object) -> tuple[Any, ...]:
    if not isinstance(value, list) or not value:
        raise ValueError(f"{read.shown(value)} is not a list of values; give at least one")
    if any(value.count(item) > 1 for item in value):
        raise ValueError("a value is given twice; give each once, and more 'seeds' to repeat")
    return tuple(value)


def _range(value: object) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"{read.counted(value)}; give [low, high]")
    low, high = (read.number(item) for item in value)
    if not low < high:
        raise ValueError(f"{high:g} is not above {low:g}; give [low, high]")
    return low, high


def _tables(value: object) -> tuple[dict[str, Any], ...]:
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        raise ValueError("give a list of points: [{ NAME = value }, { NAME = value }]")
    return tuple(value)


def _quantities(value: object) -> tuple[str, ...]:
    names = read.names(value)
    unknown = [name for name in names if name not in QUANTITIES]
    if unknown:
        raise ValueError(f"'{unknown[0]}' is no quantity; there are {', '.join(QUANTITIES)}")
    return names


class Section(BaseModel):
    """A table of the file; keys it does not name are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class DesignSection(Section):
    """How the factors' values are combined."""

    kind: Annotated[str, BeforeValidator(read.choice(*KINDS))] = "grid"
    runs: Annotated[int | None, _whole(1, 1_000_000)] = None
    seed: Annotated[int, _whole(0, 2**31)] = 1
    points: Annotated[tuple[dict[str, Any], ...], BeforeValidator(_tables)] = ()


class FactorSection(Section):
    """Something in the scene and the values it takes."""

    path: Annotated[tuple[str, ...], BeforeValidator(read.names)]
    values: Annotated[tuple[Any, ...] | None, BeforeValidator(_some)] = None
    labels: Annotated[tuple[str, ...] | None, BeforeValidator(read.names)] = None
    range: Annotated[tuple[float, float] | None, BeforeValidator(_range)] = None


class SettingsSection(Section):
    """How precisely each run is computed; as the attributes of `raysim.Settings`."""

    error_percent: Annotated[float | None, BeforeValidator(read.number)] = None
    rays: Annotated[int | None, _whole(32, 10**12)] = None
    image_order: Annotated[int | None, _whole(0, 20)] = None
    receiver_radius_m: Annotated[float | None, BeforeValidator(read.number)] = None
    bin_s: Annotated[float | None, BeforeValidator(read.number)] = None
    duration_s: Annotated[float | None, BeforeValidator(read.number)] = None


class EffectsSection(Section):
    """Effects to estimate from the merged data."""

    quantities: Annotated[tuple[str, ...], BeforeValidator(_quantities)] = ("T20",)
    bands: Annotated[tuple[float, ...], BeforeValidator(read.per_band)] = (500.0, 1000.0)
    control: dict[str, Any] = {}


class StudyFile(Section):
    """The whole file."""

    title: Text | None = None
    scene: Annotated[str, BeforeValidator(read.text)] = ""
    seeds: Annotated[tuple[int, ...], BeforeValidator(_seeds)] = (1,)
    variants: Annotated[tuple[str, ...], BeforeValidator(read.names)] = ()
    share_traces: Annotated[bool, BeforeValidator(read.yes_or_no)] = True
    variants_a_trace: Annotated[int, _whole(1, 1000)] = 16
    keep: Annotated[str, BeforeValidator(read.choice("numbers", "results"))] = "numbers"
    retries: Annotated[int, _whole(0, 100)] = 2
    settings: SettingsSection = SettingsSection()
    design: DesignSection = DesignSection()
    factors: dict[str, FactorSection] = {}
    effects: EffectsSection | None = None


_SECTIONS: dict[str, type[Section]] = {
    "design": DesignSection,
    "settings": SettingsSection,
    "effects": EffectsSection,
    "factors": FactorSection,
}
REMEDIES = {
    "time_s": "a run that the clock stops has other numbers each time; give 'rays' or "
    "'error_percent'",
    "bass": "a study computes decay, clarity and level only; take it out",
    "maps": "a study computes decay, clarity and level only; take it out",
    "threads": "it changes no number; give --workers on the command line",
    "seed": "give 'seeds' at the top of the file",
}


def read_study_file(raw: dict[str, Any], complaints: Complaints) -> StudyFile:
    """The file's sections.

    Raises
    ------
    SceneError
        With a sentence for each key that is unknown or has a value that it can't have.
    """
    try:
        return StudyFile.model_validate(raw)
    except ValidationError as error:
        for item in error.errors():
            _complain(tuple(str(part) for part in item["loc"]), item, complaints)
    complaints.raise_any()
    raise AssertionError("a file that pydantic refuses has complaints")


def _complain(path: tuple[str, ...], item: Any, complaints: Complaints) -> None:
    section = StudyFile if len(path) == 1 else _SECTIONS.get(path[0], StudyFile)
    if item["type"] == "extra_forbidden":
        if path[0] == "settings" and path[-1] in REMEDIES:
            complaints.add(path, REMEDIES[path[-1]])
        else:
            complaints.unknown_key(path, list(section.model_fields))
    elif item["type"] == "missing":
        complaints.add(path[:-1], f"'{path[-1]}' is missing; give it")
    elif item["type"] == "value_error":
        complaints.add(path, str(item["ctx"]["error"]))
    else:
        complaints.add(path, f"a table of keys is wanted here, written as [{path[0]}] and lines")
