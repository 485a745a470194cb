"""Names on plans and sections: of surfaces along them, of objects in them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from matplotlib.axes import Axes

from raysim.report import marks, style, views
from raysim.scene.data import Scene

SHORTEST_NAMED_M = 0.45
# Half the width of a letter of a name, and the height of its line.
LETTER_IN = 0.034
LINE_IN = 0.13
# Names of surfaces reach so far from the room, and its dimension lines so much farther.
NAMED_IN, DIMENSIONED_IN = 0.27, 0.5


def keep_outside_free(pins: marks.Pins, air: shapely.Polygon, scale: float) -> None:
    """Keep numbers off the dimension lines round the room."""
    low, high = np.array(air.bounds).reshape(2, 2)
    middle, half = (low + high) / 2, (high - low) / 2
    strip = DIMENSIONED_IN * scale / 2
    for axis in (0, 1):
        for way in (-1, 1):
            place, reach = middle.copy(), half + strip
            place[axis] += way * (half[axis] + NAMED_IN * scale + strip)
            reach[axis] = strip
            pins.avoid(place, *reach)


def names_of_surfaces(
    scene: Scene, axes: Axes, cut: views.Cut, scale: float, pins: marks.Pins
) -> None:
    """Write each cut surface's name along it, outside the room."""
    if cut.air is None:
        return
    for index in np.unique(cut.surface):
        surface = scene.surfaces[index]
        ends = cut.segments[cut.surface == index]
        lengths = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
        if surface.owner != "room" or lengths.sum() < SHORTEST_NAMED_M:
            continue
        run = shapely.line_merge(shapely.union_all(shapely.linestrings(np.round(ends, 4))))
        longest = max(getattr(run, "geoms", [run]), key=lambda line: float(line.length))
        middle = shapely.get_coordinates(longest.interpolate(0.5, normalized=True))[0]
        nearest = int(
            np.argmin([shapely.LineString(e).distance(shapely.Point(middle)) for e in ends])
        )
        along = ends[nearest, 1] - ends[nearest, 0]
        along = along / np.linalg.norm(along)
        outward = np.array([-along[1], along[0]])
        if cut.air.covers(shapely.Point(middle + 0.02 * outward)):
            outward = -outward
        angle = (np.degrees(np.arctan2(along[1], along[0])) + 90) % 180 - 90
        if abs(angle + 90) < 1:
            angle = 90.0
        place = middle + outward * (marks.MASONRY_M + 0.12 * scale)
        marks.name(axes, place, surface.name, float(angle))
        reach = LETTER_IN * scale * len(style.short(surface.name))
        pins.avoid(
            place,
            max(0.06 * scale, reach * abs(along[0])),
            max(0.06 * scale, reach * abs(along[1])),
        )


def names_of_objects(
    scene: Scene, axes: Axes, view: views.View, scale: float, pins: marks.Pins
) -> None:
    """Write each object's name in a corner of it, or where it is thin under or beside it."""
    alike: dict[tuple[float, ...], list[str]] = {}
    bounds: dict[tuple[float, ...], tuple[float, float, float, float]] = {}
    for owner in views.objects(scene):
        area = views.footprint(scene, owner, view)
        if not area.is_empty:
            about = tuple(round(edge, 1) for edge in area.bounds)
            alike.setdefault(about, []).append(owner)
            bounds.setdefault(about, area.bounds)
    corners = view.flat(scene.mesh.vertices)
    low, high = corners.min(axis=0), corners.max(axis=0)
    ground, middle = float(low[1]), float(low[0] + high[0]) / 2
    for about, owners in alike.items():
        low_x, low_y, high_x, high_y = bounds[about]
        wide, tall = high_x - low_x, high_y - low_y
        if max(wide, tall) < 0.35 * scale:
            continue
        names = [style.short(owner) for owner in owners]
        lines, turn = _fitted(names, wide / scale, tall / scale)
        inset, length = 0.1 * scale, LETTER_IN * scale * max(map(len, lines))
        height = LINE_IN * scale * len(lines)
        below = low_y - 0.3 * inset - height / 2
        if turn:
            off = 0.3 * inset + height / 2
            beside = high_x + off if high_x < middle else low_x - off
            place = (high_x - off if height < wide else beside, (low_y + high_y) / 2)
        elif (tall < height or wide < 2 * length) and below > ground + inset:
            place = ((low_x + high_x) / 2, below)
        elif wide < 2 * length:
            place = ((low_x + high_x) / 2, (low_y + high_y) / 2)
        else:
            corner = low_x + 0.05 * scale + length
            place = (min(corner, (low_x + high_x) / 2), low_y + 0.3 * inset + height / 2)
        half = (height / 2, length) if turn else (length, height / 2)
        pins.avoid(np.array(place), *half)
        marks.furniture_name(axes, place, "\n".join(lines), turn)


def _fitted(names: Sequence[str], wide_in: float, tall_in: float) -> tuple[list[str], float]:
    """Lines of the names and their turn in degrees so that they fit into a box on paper.

    Along its longer side if that is much longer; broken in two only where nothing else fits; as
    they are, level, where that doesn't either.
    """
    whole = list(names)
    broken = [line for name in names for line in _broken(name)]
    for lines in (whole, broken):
        length, height = 2 * LETTER_IN * max(map(len, lines)), LINE_IN * len(lines)
        fits_level = length <= wide_in and height <= tall_in
        fits_upright = length <= tall_in and (height <= wide_in or len(lines) == 1)
        if fits_upright and (tall_in > 1.5 * wide_in or not fits_level):
            return lines, 90.0
        if fits_level:
            return lines, 0.0
    return whole, 0.0


def _broken(name: str) -> list[str]:
    """Break a name in two after an underscore, dash or space near its middle."""
    breaks = [i + 1 for i, letter in enumerate(name[:-1]) if letter in "_- "]
    if not breaks:
        return [name]
    at = min(breaks, key=lambda i: max(i, len(name) - i))
    return [name[:at].rstrip(), name[at:]]
