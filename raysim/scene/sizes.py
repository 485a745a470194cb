"""How large a listening room is: slips are refused, what is unusual is doubted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SceneError
from raysim.scene.schema import RoomSection

Array = NDArray[np.float64]
Range = tuple[float, float]

STATED_RANGE_M3 = (20.0, 150.0)

# What the engine takes at all.
SMALLEST_ROOM_M, LARGEST_ROOM_M = 0.5, 60.0
LARGEST_VOLUME_M3 = 5000.0

# Beyond these a number is taken for a slip, unless the file insists: a decimal point lost from a
# side of a usual room leads there.
FLOOR_SIDE_M, HEIGHT_M = (0.8, 20.0), (1.5, 8.0)
LARGEST_MEANT_M3 = 500.0

# Where what was meant is looked for.
LIKELY_FLOOR_SIDE_M, LIKELY_HEIGHT_M = (1.5, 10.0), (1.8, 5.0)
PLAUSIBLE_M = (1.2, 30.0)
UNITS_M = {"mm": 0.001, "cm": 0.01, "in": 0.0254, "ft": 0.3048}

HIGHEST_USUAL_M = 6.0
ALIKE_WITHIN = 0.05


class _Side(NamedTuple):
    name: str
    metres: float
    meant: Range = FLOOR_SIDE_M
    likely: Range = LIKELY_FLOOR_SIDE_M


def extent_of(section: RoomSection) -> Array:
    """Width, length, height of the bounding box of a tape-measured room, m."""
    if section.size is not None:
        length, width, height = section.size
        return np.array([width, length, height])
    corners = np.array(section.outline)
    top = section.height or max(z for _, _, z in section.ceiling or ((0.0, 0.0, 0.0),))
    return np.array([*np.ptp(corners, axis=0), top])


def refuse_odd_size(extent: Array, section: RoomSection) -> None:
    """Refuse a room whose size can only be a slip, with what was probably meant.

    Parameters
    ----------
    extent : (3,) float
        Along x, y and z, m.

    Raises
    ------
    SceneError
        One sentence, with how to insist where the engine takes that size.
    """
    sides, volume = _sides(extent, section), extent.prod()
    odd = [side for side in sides if not _within(side.metres, side.meant)]
    is_possible = (
        extent.min() >= SMALLEST_ROOM_M
        and extent.max() <= LARGEST_ROOM_M
        and volume <= LARGEST_VOLUME_M3
    )
    if is_possible and (section.unusual_size or not (odd or volume > LARGEST_MEANT_M3)):
        return
    shown = " x ".join(f"{side.metres:g}" for side in sides)
    cure = _other_unit(extent, sides, section) or _other_side(odd, section)
    if not cure and is_possible:
        cure = f"a small listening room has at most {LARGEST_MEANT_M3:g} m3; correct the lengths"
    elif not cure and extent.min() < SMALLEST_ROOM_M:
        cure = f"every extent of a room is at least {SMALLEST_ROOM_M:g} m; numbers are metres"
    elif not cure:
        cure = f"a room here is at most {LARGEST_ROOM_M:g} m long and {LARGEST_VOLUME_M3:g} m3"
    if is_possible:
        cure += ", or write unusual_size = true in [room] if that is meant"
    raise SceneError(f"{_key(odd, section)}: the room would be {shown} m; {cure}")


def _within(value: float, ends: Range) -> bool:
    return bool(ends[0] <= value <= ends[1])


def _sides(extent: Array, section: RoomSection) -> list[_Side]:
    """The sides in the order in which the file gives them."""
    x, y, z = np.round(extent, 4).tolist()
    height = _Side("height", z, HEIGHT_M, LIKELY_HEIGHT_M)
    if section.size is not None:
        return [_Side("length", y), _Side("width", x), height]
    return [_Side("extent along x", x), _Side("extent along y", y), height]


def _size_key(section: RoomSection) -> str:
    """The key that says how large the room is."""
    return next(f"room.{key}" for key in ("size", "outline", "mesh") if getattr(section, key))


def _key(odd: Sequence[_Side], section: RoomSection) -> str:
    """The key that says the odd side."""
    if section.outline is not None and [side.name for side in odd] == ["height"]:
        return "room.height" if section.height is not None else "room.ceiling"
    return _size_key(section)


def _other_unit(extent: Array, sides: Sequence[_Side], section: RoomSection) -> str:
    """The unit that makes a plausible room of all three lengths; empty where none does."""
    for unit, metres in UNITS_M.items():
        lengths = extent * metres
        is_likely = _within(lengths[2], LIKELY_HEIGHT_M) and lengths.prod() <= LARGEST_MEANT_M3
        if is_likely and PLAUSIBLE_M[0] <= lengths.min() and lengths.max() <= PLAUSIBLE_M[1]:
            typed = f"{sides[0].metres:g}{unit}"
            how = f'give unit = "{unit}"' if section.mesh else f'write lengths as "{typed}"'
            wanted = " x ".join(f"{side.metres * metres:.2f}" for side in sides)
            return f"did you mean {unit}? {how} (then {wanted} m)"
    return ""


def _other_side(odd: Sequence[_Side], section: RoomSection) -> str:
    """What one side is at most, and what it was probably meant to be; empty where none is odd."""
    if not odd:
        return ""
    side = odd[0]
    value, (least, most) = side.metres, side.meant
    fault = f"{value:g} m is no {side.name} of a small listening room ({least:g} to {most:g} m)"
    if section.mesh is not None:
        return f"{fault}; correct 'unit'"
    shifted = value / 10 if value > most else value * 10
    meant = [f"{shifted:g}"] if _within(shifted, side.likely) else []
    meant += [
        f'"{value:g}{unit}"'
        for unit, metres in UNITS_M.items()
        if _within(value * metres, side.likely)
    ]
    which = " or ".join(meant)
    return f"{fault}; " + (f"did you mean {which}? write that" if meant else "correct it")


def size_doubts(section: RoomSection) -> tuple[str, ...]:
    """What is unusual of a tape-measured room."""
    width, length, height = extent_of(section)
    doubts = []
    if height > min(length, width):
        doubts.append(
            f"the room is higher ({height:g} m) than it is wide or long "
            f"({min(length, width):g} m); size is [length, width, height]"
        )
    if height > HIGHEST_USUAL_M:
        doubts.append(
            f"the ceiling is {height:g} m high; numbers are metres: were feet meant, "
            f'write "{height:g}ft"'
        )
    if section.size is not None:
        doubts += _alike(("length", length), ("width", width), ("height", height))
    return tuple(doubts)


def _alike(*sides: tuple[str, float]) -> list[str]:
    """Sides of a box so alike that their modes fall together."""
    groups = [[s for s in sides if abs(s[1] - m) <= ALIKE_WITHIN * m] for _, m in sides]
    most = max(groups, key=len)
    if len(most) < 2:
        return []
    names = [name for name, _ in most]
    return [
        f"{', '.join(names[:-1])} and {names[-1]} are alike "
        f"({', '.join(f'{m:g}' for _, m in most)} m): their modes fall on the same notes, loud, "
        "with gaps between; no panel parts them, deep absorption in corners shortens them, and "
        "of two rooms the other may be the better"
    ]


def volume_doubts(volume: float, section: RoomSection) -> list[str]:
    """What isn't claimed of a room of a volume, m3, outside the stated range."""
    (low, high), key = STATED_RANGE_M3, _size_key(section)
    if volume < low:
        return [
            f"the room has {volume:.1f} m3, below the stated range of {low:g} to {high:g} m3: "
            "decay times from rays mean little in it, because its modes lie too far apart; "
            f"trust early reflections and modes only, and correct {key} if the room is larger"
        ]
    if volume > high:
        return [
            f"the room has {volume:.1f} m3, above the stated range of {low:g} to {high:g} m3: "
            "the engine works, more slowly, but was not checked against rooms of this size; "
            f"correct {key} if the room is smaller"
        ]
    return []
