"""Elevations as files that drawing programs and browsers open: DXF and SVG, in millimetres.

DXF by ezdxf (MIT): R2010, one layer a kind of thing, so that a workshop can switch them. SVG by
lxml: user units are millimetres from the left corner and, downwards, from the upper edge.
"""

from __future__ import annotations

import io
from collections.abc import Sequence

import ezdxf
import numpy as np
from ezdxf import units
from ezdxf.enums import TextEntityAlignment
from lxml import etree
from numpy.typing import NDArray

from raysim.report import style
from raysim.report.walls import Hanging, Rect, Wall

Array = NDArray[np.float64]

MM = 1000.0
BETWEEN_MM = 1500.0
TEXT_MM = 88.0
MARGIN_MM = 300.0
LAYERS = {"wall": 7, "opening": 8, "keep clear": 1, "piece": 5, "dimension": 3, "text": 7}
SVG = "http://www.w3.org/2000/svg"
PRINTED = 1 / 20


def dxf(walls: Sequence[Wall], title: str) -> bytes:
    """All walls side by side at full size; lower left corner of each on one base line."""
    document = ezdxf.new("R2010", setup=True)  # type: ignore[attr-defined]
    document.units = units.MM
    document.header["$INSUNITS"] = units.MM
    for name, colour in LAYERS.items():
        document.layers.add(name, color=colour)
    space = document.modelspace()
    space.add_text(title, height=1.5 * TEXT_MM, dxfattribs={"layer": "text"}).set_placement(
        (0.0, -4 * MARGIN_MM / 3)
    )
    start = 0.0
    for wall in walls:
        _dxf_wall(space, wall, start)
        start += wall.size[0] * MM + BETWEEN_MM
    document.header["$TDCREATE"] = document.header["$TDUPDATE"] = 0.0
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode("utf-8")


def _dxf_wall(space: object, wall: Wall, start: float) -> None:
    add = space
    shift = np.array([start, 0.0])
    for loop in wall.loops:
        add.add_lwpolyline(loop * MM + shift, close=True, dxfattribs={"layer": "wall"})  # type: ignore[attr-defined]
    for name, loop in wall.openings:
        add.add_lwpolyline(loop * MM + shift, close=True, dxfattribs={"layer": "opening"})  # type: ignore[attr-defined]
        _dxf_text(add, name, loop.mean(axis=0) * MM + shift, "text")
    for reason, hard, rect in wall.zones:
        add.add_lwpolyline(_box(rect) * MM + shift, close=True, dxfattribs={"layer": "keep clear"})  # type: ignore[attr-defined]
        said = f"keep clear: {reason}{' (no exception)' if hard else ''}"
        _dxf_text(
            add, said, np.array([rect[0] + 0.03, rect[3] - 0.08]) * MM + shift, "keep clear", False
        )
    for hanging in wall.hangings:
        box = _box(hanging.rect) * MM + shift
        add.add_lwpolyline(box, close=True, dxfattribs={"layer": "piece"})  # type: ignore[attr-defined]
        _dxf_text(add, str(hanging.number), box.mean(axis=0), "text")
        _dxf_dimensions(add, wall, hanging, shift)
    _dxf_text(add, wall.name, np.array([0.0, wall.size[1] * MM + TEXT_MM]) + shift, "text", False)


def _dxf_text(add: object, text: str, at: Array, layer: str, centred: bool = True) -> None:
    align = TextEntityAlignment.MIDDLE_CENTER if centred else TextEntityAlignment.LEFT
    add.add_text(text, height=TEXT_MM, dxfattribs={"layer": layer}).set_placement(  # type: ignore[attr-defined]
        (float(at[0]), float(at[1])), align=align
    )


def _dxf_dimensions(add: object, wall: Wall, hanging: Hanging, shift: Array) -> None:
    """From the nearer corner below the wall, from the floor beside the piece."""
    u0, v0, u1, v1 = (x * MM for x in hanging.rect)
    _, side = wall.from_corner(hanging)
    corner = 0.0 if side == "left" else wall.size[0] * MM
    edge = u0 if side == "left" else u1
    row = -MARGIN_MM / 3 - 1.6 * TEXT_MM * ((hanging.number - 1) % 4)
    style_of = {"dimtxt": TEXT_MM, "dimasz": TEXT_MM / 2, "dimdec": 0, "dimlfac": 1.0}
    for base, first, last, angle in (
        ((0.0, row), (corner, 0.0), (edge, v0), 0),
        ((u0 - TEXT_MM, 0.0), (u0, 0.0), (u0, v0), 90),
        ((u0 - TEXT_MM, 0.0), (u0, v0), (u0, v1), 90),
        ((0.0, row), (edge, v0), (u1 if side == "left" else u0, v0), 0),
    ):
        add.add_linear_dim(  # type: ignore[attr-defined]
            base=tuple(np.array(base) + shift),
            p1=tuple(np.array(first) + shift),
            p2=tuple(np.array(last) + shift),
            angle=angle,
            override=style_of,
            dxfattribs={"layer": "dimension"},
        ).render()


def _box(rect: Rect) -> Array:
    u0, v0, u1, v1 = rect
    return np.array([(u0, v0), (u1, v0), (u1, v1), (u0, v1)])


def svg(wall: Wall, critical: Sequence[str] = ()) -> bytes:
    """One wall; `data-` attributes have number, name and place of each piece in millimetres.

    `critical` names pieces that are drawn with a double outline.
    """
    width, height = wall.size[0] * MM, wall.size[1] * MM
    margin = MARGIN_MM
    root = etree.Element(f"{{{SVG}}}svg", nsmap={None: SVG})
    whole = (width + 2 * margin, height + 2 * margin)
    root.set("viewBox", f"{-margin:g} {-margin:g} {whole[0]:.1f} {whole[1]:.1f}")
    root.set("width", f"{whole[0] * PRINTED:.2f}mm")
    root.set("height", f"{whole[1] * PRINTED:.2f}mm")
    root.set("font-family", "sans-serif")
    title = etree.SubElement(root, f"{{{SVG}}}title")
    title.text = f"{wall.name}, seen from inside, 1:20, millimetres"
    for loop in wall.loops:
        _svg_loop(root, loop, height, style.WASH, style.INK, 12)
    for name, loop in wall.openings:
        _svg_loop(root, loop, height, "white", style.QUIET, 8)
        _svg_text(root, name, *_middle(loop, height), TEXT_MM)
    for reason, hard, rect in wall.zones:
        _svg_zone(root, reason, hard, rect, height)
    below = len(root)
    for hanging in wall.hangings:
        _svg_piece(root, hanging, height, hanging.treatment.name in critical)
    _svg_dimensions(root, wall, height)
    for line in root.findall(f"{{{SVG}}}line"):
        root.insert(below, line)  # moves it: pieces and their numbers lie over lines
    _svg_text(root, wall.name, 0.0, -0.6 * margin, 1.4 * TEXT_MM, "start")
    foot = "floor" if wall.is_upright else "drawn from above" if "floor" in wall.name else ""
    if foot:
        _svg_text(root, foot, width / 2, height + 1.4 * TEXT_MM, TEXT_MM)
    return bytes(etree.tostring(root, xml_declaration=True, encoding="UTF-8", pretty_print=True))


def _middle(loop: Array, height: float) -> tuple[float, float]:
    middle = (loop.min(axis=0) + loop.max(axis=0)) / 2 * MM
    return float(middle[0]), height - float(middle[1])


def _svg_loop(
    root: etree._Element, loop: Array, height: float, fill: str, line: str, width: float
) -> None:
    points = " ".join(f"{u * MM:.1f},{height - v * MM:.1f}" for u, v in loop)
    etree.SubElement(
        root,
        f"{{{SVG}}}polygon",
        {"points": points, "fill": fill, "stroke": line, "stroke-width": f"{width:g}"},
    )


def _svg_text(
    root: etree._Element, text: str, x: float, y: float, size: float, anchor: str = "middle"
) -> None:
    made = etree.SubElement(
        root,
        f"{{{SVG}}}text",
        {
            "x": f"{x:.1f}", "y": f"{y:.1f}", "font-size": f"{size:g}", "text-anchor": anchor,
            "dominant-baseline": "middle", "fill": style.INK,
        },
    )  # fmt: skip
    made.text = text


def _svg_zone(root: etree._Element, reason: str, hard: bool, rect: Rect, height: float) -> None:
    u0, v0, u1, v1 = (x * MM for x in rect)
    etree.SubElement(
        root,
        f"{{{SVG}}}rect",
        {
            "x": f"{u0:.1f}", "y": f"{height - v1:.1f}", "width": f"{u1 - u0:.1f}",
            "height": f"{v1 - v0:.1f}", "fill": "none", "stroke": style.ALERT,
            "stroke-width": "10", "stroke-dasharray": "40 25", "data-keep-clear": reason,
        },
    )  # fmt: skip
    lines = [f"keep clear{', no exception' if hard else ''}", reason]
    size = min(TEXT_MM, 1.7 * (u1 - u0) / max(map(len, lines)))
    for number, line in enumerate(lines, start=1):
        _svg_text(root, line, (u0 + u1) / 2, height - v1 + 1.25 * number * size, size)


def _svg_piece(root: etree._Element, hanging: Hanging, height: float, critical: bool) -> None:
    u0, v0, u1, v1 = (x * MM for x in hanging.rect)
    box = {
        "x": f"{u0:.1f}", "y": f"{height - v1:.1f}",
        "width": f"{u1 - u0:.1f}", "height": f"{v1 - v0:.1f}",
    }  # fmt: skip
    etree.SubElement(
        root,
        f"{{{SVG}}}rect",
        {
            **box,
            "fill": "#d5e0e6",
            "stroke": style.INK,
            "stroke-width": "22" if critical else "9",
            "data-number": str(hanging.number),
            "data-piece": hanging.treatment.name,
            "data-from-left-mm": f"{u0:.1f}",
            "data-from-floor-mm": f"{v0:.1f}",
        },
    )
    middle, tall = (u0 + u1) / 2, height - (v0 + v1) / 2
    _svg_text(root, str(hanging.number), middle, tall - 0.9 * TEXT_MM, 1.3 * TEXT_MM)
    size = min(0.8 * TEXT_MM, 1.7 * (u1 - u0) / 10)
    _svg_text(root, f"{u1 - u0:.0f} × {v1 - v0:.0f}", middle, tall + 0.5 * TEXT_MM, size)


def _svg_dimensions(root: etree._Element, wall: Wall, height: float) -> None:
    """From the nearer corner below each piece, in rows; from the floor at its middle."""
    rows: dict[tuple[str, float], int] = {}
    ordered = sorted(wall.hangings, key=lambda hanging: wall.from_corner(hanging)[0])
    for hanging in ordered:
        u0, v0, u1, _ = (x * MM for x in hanging.rect)
        distance, side = wall.from_corner(hanging)
        if _is_above_its_like(wall, hanging):
            continue
        row = rows[side, v0] = rows.get((side, v0), -1) + 1
        corner = 0.0 if side == "left" else wall.size[0] * MM
        edge = u0 if side == "left" else u1
        y = height - v0 + (0.9 + 1.5 * row) * TEXT_MM
        if 0.3 * TEXT_MM < y - height < 1.5 * TEXT_MM:  # its number would lie on the floor line
            y = height + 1.5 * TEXT_MM
        if distance * MM > 1:
            _svg_line(root, (corner, y), (edge, y))
            _svg_line(root, (edge, height - v0), (edge, y + 0.3 * TEXT_MM))
            inward = 1 if side == "left" else -1
            at = _free_place(wall, (corner + edge) / 2, (corner, edge), height - y + 0.6 * TEXT_MM)
            if distance * MM < 3.5 * TEXT_MM:
                at = edge + inward * 1.6 * TEXT_MM
                y += 0.7 * TEXT_MM
            _svg_text(root, f"{distance * MM:.0f}", at, y - 0.6 * TEXT_MM, 0.9 * TEXT_MM)
    heights: set[float] = set()
    for hanging in wall.hangings:
        u0, v0, u1 = (x * MM for x in hanging.rect[:3])
        below = any(
            other.rect[3] * MM <= v0 + 1 and other.rect[0] * MM < u1 and other.rect[2] * MM > u0
            for other in wall.hangings
        )
        if v0 < 1 or below or v0 in heights:
            continue
        heights.add(v0)
        x = (u0 + u1) / 2
        _svg_line(root, (x, height), (x, height - v0))
        up = -0.95 * TEXT_MM if v0 < 1.2 * TEXT_MM else min(v0 / 2, 4 * TEXT_MM)
        text = (x + 1.5 * TEXT_MM, height - up)
        _svg_text(root, f"{v0:.0f}", *text, 0.9 * TEXT_MM)


def _free_place(wall: Wall, middle: float, ends: tuple[float, float], level: float) -> float:
    """Where along a dimension its number covers no piece or opening, nearest the middle, mm."""
    half = 1.5 * TEXT_MM
    boxes = [np.array(hanging.rect) * MM for hanging in wall.hangings]
    boxes += [np.concatenate([o.min(axis=0), o.max(axis=0)]) * MM for _, o in wall.openings]
    taken = [box for box in boxes if box[1] - TEXT_MM < level < box[3] + TEXT_MM]
    low, high = min(ends) + half, max(ends) - half
    places = [middle, *(box[0] - half for box in taken), *(box[2] + half for box in taken)]
    free = [
        at
        for at in places
        if low <= at <= high and not any(box[0] < at + half and at - half < box[2] for box in taken)
    ]
    return float(min(free, key=lambda at: abs(at - middle), default=middle))


def _is_above_its_like(wall: Wall, hanging: Hanging) -> bool:
    """Whether a piece of the same left and right edge hangs below: its dimension says it."""
    return any(
        other.rect[1] < hanging.rect[1] - 1e-3
        and max(abs(other.rect[k] - hanging.rect[k]) for k in (0, 2)) < 1e-3
        for other in wall.hangings
    )


def _svg_line(root: etree._Element, first: tuple[float, float], last: tuple[float, float]) -> None:
    ends = {"x1": first[0], "y1": first[1], "x2": last[0], "y2": last[1]}
    etree.SubElement(
        root,
        f"{{{SVG}}}line",
        {
            **{key: f"{value:.1f}" for key, value in ends.items()},
            "stroke": style.QUIET,
            "stroke-width": "5",
        },
    )
