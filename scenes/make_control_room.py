"""Make control_room.obj, an invented control room of about 65 m3.

Metres, z up, right-handed: x to the right of someone who faces the front, y from the rear wall to
the front wall, x = 0 the axis of symmetry. Run it as `python scenes/make_control_room.py`.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
from writing import write_obj

from raysim.scene.geometry import Geometry
from raysim.scene.heal import heal

Point = tuple[float, float, float]
Plan = tuple[float, float]

# plan, right half from the middle of the rear wall to the middle of the front wall
REAR, REAR_CORNER, BEND, FRONT = (1.20, 0.0), (2.35, 0.50), (2.25, 3.30), (1.55, 5.60)
WINDOW = (-1.00, 1.00, 1.05, 1.95)  # x from, x to, z from, z to
DOOR = (0.18, 0.82, 2.05)  # along the right rear panel from, to (parts of its width); height
FRONT_HEIGHT, BEND_HEIGHT, REAR_HEIGHT = 2.35, 2.95, 2.75


class Model:
    """Polygons by surface name; their winding does not matter."""

    def __init__(self) -> None:
        self.faces: dict[str, list[list[Point]]] = {}

    def add(self, name: str, *corners: Point) -> None:
        """Add a convex polygon to a surface."""
        self.faces.setdefault(name, []).append(list(corners))

    def geometry(self) -> Geometry:
        """Polygons (convex) as fans of triangles."""
        vertices: list[Point] = []
        triangles: list[tuple[int, int, int]] = []
        group: list[int] = []
        for number, faces in enumerate(self.faces.values()):
            for corners in faces:
                first = len(vertices)
                vertices.extend(corners)
                for k in range(1, len(corners) - 1):
                    triangles.append((first, first + k, first + k + 1))
                    group.append(number)
        return Geometry(
            vertices=np.array(vertices, dtype=np.float64),
            triangles=np.array(triangles, dtype=np.int64),
            group=np.array(group, dtype=np.int64),
            names=tuple(self.faces),
            owners=("room",) * len(self.faces),
            sheet=np.zeros(len(triangles), dtype=np.bool_),
        )


def ceiling_height(y: float) -> float:
    """Rises from the front wall to the bend, then falls gently to the rear."""
    y_bend, y_front = BEND[1], FRONT[1]
    if y >= y_bend:
        return float(np.interp(y, (y_bend, y_front), (BEND_HEIGHT, FRONT_HEIGHT)))
    return float(np.interp(y, (0.0, y_bend), (REAR_HEIGHT, BEND_HEIGHT)))


def upright(model: Model, name: str, a: Plan, b: Plan) -> None:
    """A wall from floor to ceiling between two points of the plan."""
    model.add(name, (*a, 0.0), (*b, 0.0), (*b, ceiling_height(b[1])), (*a, ceiling_height(a[1])))


def mirrored(point: Plan) -> Plan:
    """The point on the other side of the axis."""
    return -point[0], point[1]


def shell(model: Model) -> None:
    """Floor, ceiling and walls."""
    corners = (REAR, REAR_CORNER, BEND, FRONT)
    for low, high in pairwise(corners):
        strip = (mirrored(low), low, high, mirrored(high))
        model.add("floor", *((x, y, 0.0) for x, y in strip))
        model.add("ceiling", *((x, y, ceiling_height(y)) for x, y in strip))
    for name, side in (("left_wall", mirrored), ("right_wall", lambda p: p)):
        upright(model, name, side(REAR_CORNER), side(BEND))
        upright(model, name, side(BEND), side(FRONT))
    upright(model, "rear_wall", mirrored(REAR), REAR)
    upright(model, "rear_wall", mirrored(REAR_CORNER), mirrored(REAR))
    rear_panel_with_door(model)
    front_wall_with_window(model)


def rear_panel_with_door(model: Model) -> None:
    """The right one of the two oblique rear walls."""
    start, end, top = DOOR
    a, b = (
        tuple(float(v) for v in np.add(REAR, part * np.subtract(REAR_CORNER, REAR)))
        for part in (start, end)
    )
    upright(model, "rear_wall", REAR, a)
    upright(model, "rear_wall", b, REAR_CORNER)
    model.add("door", (*a, 0.0), (*b, 0.0), (*b, top), (*a, top))
    heights = ceiling_height(a[1]), ceiling_height(b[1])
    model.add("rear_wall", (*a, top), (*b, top), (*b, heights[1]), (*a, heights[0]))


def front_wall_with_window(model: Model) -> None:
    """A flush wall with the window to the live room in it."""
    left, right, low, high = WINDOW
    half, y, top = FRONT[0], FRONT[1], FRONT_HEIGHT
    outer = [(-half, y, 0.0), (half, y, 0.0), (half, y, top), (-half, y, top)]
    inner = [(left, y, low), (right, y, low), (right, y, high), (left, y, high)]
    for k in range(4):
        after = (k + 1) % 4
        model.add("front_wall", outer[k], outer[after], inner[after], inner[k])
    model.add("window", *inner)


def box(model: Model, name: str, low: Point, high: Point) -> None:
    """Six faces between two opposite corners."""
    (x, y, z), (far_x, far_y, far_z) = low, high
    bottom = [(x, y, z), (far_x, y, z), (far_x, far_y, z), (x, far_y, z)]
    top = [(a, b, far_z) for a, b, _ in bottom]
    model.add(name, *bottom)
    model.add(name, *top)
    for k in range(4):
        after = (k + 1) % 4
        model.add(name, bottom[k], bottom[after], top[after], top[k])


def along_x(model: Model, name: str, half: float, *profile: Plan) -> None:
    """Faces from x = -half to half under a chain of points (y, z)."""
    for (y, z), (next_y, next_z) in pairwise(profile):
        model.add(
            name, (-half, y, z), (half, y, z), (half, next_y, next_z), (-half, next_y, next_z)
        )


def desk(model: Model) -> None:
    """Console with a sloping top and a raised rear on two pedestals with feet of 5 cm."""
    half, inner, low, feet = 1.10, 0.80, 0.64, 0.05
    near, leg, far = 3.50, 3.62, 4.40
    over = [(near, low), (near, 0.74), (4.05, 0.97), (far, 0.97), (far, low)]
    along_x(model, "desk", half, *over)
    along_x(model, "desk", inner, (near, low), (far, low))
    for side in (-1, 1):
        a, b = side * inner, side * half
        model.add("desk", *((b, y, z) for y, z in over))
        model.add("desk", (a, near, low), (b, near, low), (b, leg, low), (a, leg, low))
        model.add("desk", (a, leg, feet), (b, leg, feet), (b, far, feet), (a, far, feet))
        for x in (a, b):
            model.add("desk", (x, leg, feet), (x, far, feet), (x, far, low), (x, leg, low))
        for y in (leg, far):
            model.add("desk", (a, y, feet), (b, y, feet), (b, y, low), (a, y, low))


def sofa(model: Model) -> None:
    """Seat and leaning back on feet of 10 cm."""
    half = 0.95
    seat = [(0.55, 0.42), (0.55, 0.10), (1.40, 0.10), (1.40, 0.42), (0.86, 0.42)]
    back = [(0.86, 0.42), (0.70, 0.86), (0.55, 0.86), (0.55, 0.42)]
    along_x(model, "sofa", half, *seat)
    along_x(model, "sofa", half, *back)
    for x in (-half, half):
        for part in (seat, back):
            model.add("sofa", *((x, y, z) for y, z in part))


def control_room() -> Geometry:
    """The room with its furniture, healed: triangles that share all their vertices."""
    model = Model()
    shell(model)
    desk(model)
    box(model, "rack_left", (-2.15, 2.20, 0.08), (-1.55, 2.90, 1.12))
    box(model, "rack_right", (1.55, 2.20, 0.08), (2.15, 2.90, 1.12))
    sofa(model)
    return heal(model.geometry())


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    write_obj(folder / "control_room.obj", control_room(), "control room", Path(__file__).name)
