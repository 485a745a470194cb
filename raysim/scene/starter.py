"""A scene to start from: the usual listening layout in a tape-measured box, with comments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from string import Template

from raysim.errors import SceneError
from raysim.files import why_not_written, write_whole
from raysim.scene.starter_catalogue import CATALOGUE, CATALOGUE_NAME

SCENE_NAME = "scene.toml"
SURVEY_NAME = "survey.md"
EXAMPLE_SIZE_M = (4.2, 3.4, 2.4)
LEAST_M = 1.5
LARGEST_M = 30.0

SEAT_SHARE = 0.38
EAR_M = 1.2
SOURCE_OFF_WALL_M = 0.6
LEAST_OFF_WALL_M = 0.3
SIDE_CLEARANCE_M = 0.5
WIDEST_BASE_M = 2.0
DESK_M = (1.5, 0.7, 0.75)
DESK_TOP_M = 0.03
DESK_TO_SEAT_M = 0.45


@dataclass(frozen=True)
class Layout:
    """Places of the usual layout, m."""

    left: tuple[float, float, float]
    right: tuple[float, float, float]
    seat: tuple[float, float, float]
    desk_at: tuple[float, float, float] | None
    desk_size: tuple[float, float, float]


def write_starter(
    folder: str | PathLike[str], size_m: Sequence[float] | None = None, survey: bool = False
) -> list[Path]:
    """Write a scene file and a catalogue, and a survey sheet if wanted.

    Existing files are never touched.

    Parameters
    ----------
    folder : path
        Made if it doesn't exist.
    size_m : (length, width, height), m, optional
        None writes an example to edit.
    survey : bool
        Whether to write the survey sheet too.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    SceneError
        A file that exists, a folder that can't be written, or a size that is no room's.
    """
    size = tuple(size_m) if size_m is not None else EXAMPLE_SIZE_M
    _refuse_odd(size)
    place = Path(folder)
    wanted = {
        place / SCENE_NAME: scene_text(size, example=size_m is None),
        place / CATALOGUE_NAME: CATALOGUE,
    }
    if survey:
        wanted[place / SURVEY_NAME] = _SURVEY
    for path in wanted:
        if path.exists():
            raise SceneError(f"{path}: it exists already; nothing was written, give another folder")
    path = place
    try:
        place.mkdir(parents=True, exist_ok=True)
        for path, text in wanted.items():
            write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise SceneError(why_not_written(path, error)) from None
    return list(wanted)


def _refuse_odd(size: Sequence[float]) -> None:
    if len(size) != 3:
        raise SceneError(f"size: {len(size)} lengths; give length, width and height")
    for name, value in zip(("length", "width", "height"), size, strict=True):
        if not LEAST_M <= value <= LARGEST_M:
            raise SceneError(
                f"size: a {name} of {value:g} m is outside {LEAST_M:g} to {LARGEST_M:g} m; numbers "
                'are metres, other units are written with them: "342cm", "11ft2in"'
            )


def usual_layout(size: Sequence[float]) -> Layout:
    """Seat at 38 % of the length, ears 1.2 m high, sources and seat an equilateral triangle.

    Common practice as a starting point in a bare rectangle, not an optimum. In short rooms the
    sources come nearer to the front wall and to each other.
    """
    length, width, height = size
    ear = round(min(EAR_M, height - 0.4), 2)
    middle = width / 2
    seat_y = round(max(SEAT_SHARE * length, LEAST_OFF_WALL_M + 0.6), 2)
    off_wall = max(LEAST_OFF_WALL_M, min(SOURCE_OFF_WALL_M, seat_y - 0.8))
    per_depth = 2 / 3**0.5
    base = min((seat_y - off_wall) * per_depth, WIDEST_BASE_M, width - 2 * SIDE_CLEARANCE_M)
    source_y = round(seat_y - base / per_depth, 2)
    left = (round(middle - base / 2, 2), source_y, ear)
    right = (round(width - left[0], 4), source_y, ear)
    desk_width, desk_depth, desk_height = DESK_M
    desk_width = round(min(desk_width, width - 0.4), 2)
    front = round(max(seat_y - DESK_TO_SEAT_M - desk_depth, 0.1), 2)
    depth = round(seat_y - DESK_TO_SEAT_M - front, 2)
    fits = depth >= 0.3
    return Layout(
        left=left,
        right=right,
        seat=(round(middle, 4), seat_y, ear),
        desk_at=(round(middle - desk_width / 2, 4), front, round(desk_height - DESK_TOP_M, 2))
        if fits
        else None,
        desk_size=(desk_width, depth, DESK_TOP_M),
    )


def scene_text(size: Sequence[float], example: bool = False) -> str:
    """Text of a scene file for a box of length, width, height in m."""
    layout = usual_layout(size)
    desk = ""
    if layout.desk_at is not None:
        desk = Template(_DESK).substitute(at=_point(layout.desk_at), size=_point(layout.desk_size))
    return Template(_SCENE).substitute(
        title="Example room: replace the numbers" if example else "My room",
        size=_point(size),
        desk=desk,
        left=_point(layout.left),
        right=_point(layout.right),
        seat=_point(layout.seat),
    )


def _point(values: Sequence[float]) -> str:
    return "[" + ", ".join(f"{round(value, 4):g}" for value in values) + "]"


_SCENE = """\
# A room from a tape measure. Edit, then: raysim check scene.toml, raysim run scene.toml
# Lengths are metres; other units go in quotes: "342cm", "3420mm", "11ft2in".
# Facing the front wall (the one behind the loudspeakers): x runs from the left wall to the
# right, y from the front wall to the rear, z from the floor up.
title = "$title"

[room]
size = $size    # length (front to rear), width (left to right), height
tolerance = "1cm"            # how well you measured

# What each surface is made of. "unknown ..." is allowed: its range is wide and the results say so.
# Knock on the walls: "solid wall (knock: solid)" or "hollow wall (knock: hollow)" is better.
[surfaces]
front = "unknown wall"
rear = "unknown wall"
left = "unknown wall"
right = "unknown wall"
floor = "unknown floor"      # for example "wood floor on joists", "heavy carpet on concrete"
ceiling = "unknown ceiling"

# A window or a door: a rectangle in a surface. "at" is its lower left corner as you see it from
# inside: metres from the surface's left edge, metres above the floor.
# [patches.window]
# on = "left"
# at = [1.3, 0.9]
# size = [1.2, 1.2]          # width, height
# material = "unknown window"
$desk
# The usual layout, common practice for a start: seat at 38 % of the length, ears 1.2 m high,
# loudspeakers and head in an equilateral triangle. Measure yours and put it in.
[sources.left]
position = $left

[sources.right]
position = $right

[receivers.seat]
position = $seat
facing = "front"
"""

_DESK = """
# The desk top: "at" is the corner with the smallest x, y and z. Take it out if there is none.
[objects.desk]
at = $at
size = $size    # along x, along y, thickness
material = "wooden desk"
"""

_SURVEY = """\
# Survey of a room

One page, a tape measure and ten minutes. "Unknown" is a good answer: it only makes the range of
the results wider. Stand so that you face the wall behind the loudspeakers: that is the front.

Room: ______________________   Date: ____________   Measured by: ______________________

| Measure, to the centimetre      | first | again at another place |
|---------------------------------|-------|------------------------|
| length, front wall to rear wall |       |                        |
| width, left wall to right wall  |       |                        |
| height, floor to ceiling        |       |                        |
| both floor diagonals            |       |                        |

The diagonals differ by more than 3 cm? Then sketch the floor plan overleaf with all its corners.
Slopes, beams, alcoves: sketch them with their heights.

| Surface | knock: solid / hollow / unknown | covering (paint, paper, wood, carpet, curtain) |
|---------|---------------------------------|------------------------------------------------|
| front   |                                 |                                                |
| rear    |                                 |                                                |
| left    |                                 |                                                |
| right   |                                 |                                                |
| ceiling |                                 |                                                |
| floor   |                                 |                                                |

| Opening or fixture    | which wall | from its left edge | above floor (sill) | width x height |
|-----------------------|------------|--------------------|--------------------|----------------|
| window                |            |                    |                    |                |
| window                |            |                    |                    |                |
| door: swings in / out |            |                    |                    |                |
| radiator              |            |                    |                    |                |
| sockets, switches     |            |                    |                    |                |
| detector, vent, light |            |                    |                    |                |

| Furniture (desk, sofa, shelf, bed) | from left wall | from front wall | w x d x h | material |
|------------------------------------|----------------|-----------------|-----------|----------|
|                                    |                |                 |           |          |
|                                    |                |                 |           |          |
|                                    |                |                 |           |          |

| Listening              | from left wall | from front wall | above floor |
|------------------------|----------------|-----------------|-------------|
| left loudspeaker       |                |                 |             |
| right loudspeaker      |                |                 |             |
| head at the seat       |                |                 |             |

May you drill? walls: yes / no / unknown   ceiling: yes / no / unknown
Ways out, detectors and vents that must stay clear: ______________________________________________
What bothers you, in your words: _________________________________________________________________
"""
