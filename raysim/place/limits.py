"""What a layout must keep to, and what the search weighs."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from raysim.errors import SettingsError


@dataclass(frozen=True)
class Limits:
    """Ergonomic limits, common practice unless a source is named.

    Attributes
    ----------
    off_wall_m : (low, high)
        Acoustic centres of the loudspeakers from the front wall.
    base_m : (low, high)
        Between the loudspeakers.
    apart_deg : (low, high)
        Angle between them as seen from the seat; 60 is the equilateral triangle.
    distance_m : (low, high)
        Between a loudspeaker and the head, seen from above.
    seat_m : (low, high)
        Head from the front wall.
    head_clear_m : float
        From the head to anything but the desk.
    loudspeaker_clear_m : float
        From a loudspeaker's centre to anything but the desk.
    desk_to_head_m : float
        From the rear edge of the desk to the head, where the scene's own is not 0.3 to 0.7 m.
    fronts : tuple of str
        Walls that may be the front; empty for all.
    """

    off_wall_m: tuple[float, float] = (0.2, 1.2)
    base_m: tuple[float, float] = (0.8, 2.4)
    apart_deg: tuple[float, float] = (52.0, 68.0)
    distance_m: tuple[float, float] = (0.8, 3.5)
    seat_m: tuple[float, float] = (0.0, 30.0)
    head_clear_m: float = 0.3
    loudspeaker_clear_m: float = 0.19
    desk_to_head_m: float = 0.45
    fronts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("off_wall_m", "base_m", "apart_deg", "seat_m"):
            low, high = getattr(self, name)
            if not 0 <= low <= high:
                option = name.rpartition("_")[0].replace("_", "-")
                raise SettingsError(
                    f"--{option}: {low:g} to {high:g}; give the smaller first, neither below 0"
                )


@dataclass(frozen=True)
class Weights:
    """How much a decibel of each term counts; a judgement, to be changed by whoever differs.

    Attributes
    ----------
    bass : float
        Unevenness of the bass over the head zone.
    notch : float
        Depth of the worst boundary notch.
    early : float
        Early reflections above 10 dB below the direct sound.
    sides : float
        Difference of left and right.
    """

    bass: float = 1.0
    notch: float = 0.25
    early: float = 0.25
    sides: float = 0.5

    def __post_init__(self) -> None:
        for term, weight in vars(self).items():
            if not 0 <= weight < inf:
                raise SettingsError(f"--weight: {term}={weight:g}; a weight is a number, 0 or more")
        if max(vars(self).values()) <= 0:
            raise SettingsError("--weight: all are 0; one at least must be above 0")
