"""Sections of a scene file turned into single pieces of treatment, each in its place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from raysim.scene import patterns, traps
from raysim.scene.data import Facet, Scene, Treatment
from raysim.scene.faces import Face
from raysim.scene.kinds import FIXING, kind_of
from raysim.scene.linings import Lining
from raysim.scene.placing import Rect, Sheet, describe, find_sheet, on_facet, read_place
from raysim.scene.schema import OBJECTS, TreatmentSection
from raysim.scene.solids import slab, upright
from raysim.scene.traps import Body

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Piece:
    """A treatment without its material's index; a body where it is an object."""

    treatment: Treatment
    body: Body | None = None


class CannotPlaceError(ValueError):
    """A sentence, and the key that it is about."""

    def __init__(self, key: str, sentence: str) -> None:
        super().__init__(sentence)
        self.key = key


def pieces_of(
    name: str,
    section: TreatmentSection,
    lining: Lining,
    scene: Scene,
    faces: Sequence[Face],
    clear_m: float,
) -> list[Piece]:
    """Every piece that a section makes.

    Parameters
    ----------
    clear_m : float
        Kept between an object and what it can't be fitted to: 0 in tape-measured rooms.

    Raises
    ------
    CannotPlaceError
        Its place is none.
    """
    maker = _Maker(name, section, lining, scene, faces, clear_m)
    if section.pattern is not None:
        return maker.of_pattern(section.pattern)
    assert section.kind is not None
    if section.kind in OBJECTS:
        return [maker.object()]
    return maker.on_surface()


class _Maker:
    """Makes the pieces of one section."""

    def __init__(
        self,
        name: str,
        section: TreatmentSection,
        lining: Lining,
        scene: Scene,
        faces: Sequence[Face],
        clear_m: float,
    ) -> None:
        self.name, self.section, self.lining = name, section, lining
        self.scene, self.faces, self.clear_m = scene, faces, clear_m
        self.size = section.size or ()

    def on_surface(self) -> list[Piece]:
        """A panel, or the tiles of a grid."""
        section = self.section
        assert section.at is not None
        sheet = self._sheet(self._one("on"))
        columns, rows = section.tiles or (1, 1)
        width, height = self.size
        step = width + section.spacing, height + section.spacing
        whole = columns * step[0] - section.spacing, rows * step[1] - section.spacing
        try:
            low_u, low_v, _, _ = read_place(sheet, section.at, whole)
        except ValueError as error:
            raise CannotPlaceError("at", str(error)) from None
        rects = [
            (
                low_u + column * step[0],
                low_v + row * step[1],
                low_u + column * step[0] + width,
                low_v + row * step[1] + height,
            )
            for row in range(rows)
            for column in range(columns)
        ]
        return [self._covering(sheet, rect, k, len(rects)) for k, rect in enumerate(rects, start=1)]

    def object(self) -> Piece:
        """A trap, cloud or screen."""
        kind, section = self.section.kind, self.section
        if kind == "corner trap":
            corners = traps.corners_between(self.scene, self._two())
            if len(corners) != 1:
                first, other = self._two()
                many = "meet in no plumb inner corner" if not corners else "meet in several corners"
                raise CannotPlaceError(
                    "on", f"'{first}' and '{other}' {many}; name two walls, or facets, of one"
                )
            return self._body(self._corner_trap(corners[0]), 1, 1)
        if kind == "edge trap":
            return self._body(self._edge_trap(*self._two(), section.along), 1, 1)
        assert section.at is not None
        if kind == "cloud":
            sheet = self._sheet(self._one("on"))
            if sheet.normal[2] > -0.5:
                raise CannotPlaceError("on", f"'{sheet.name}' isn't a ceiling; name one")
            return self._body(self._cloud(sheet, section.at), 1, 1)
        if isinstance(section.at, str) or len(section.at) != 3:
            raise CannotPlaceError("at", "give the corner of smallest x, y and z as [x, y, z]")
        return self._body(traps.standing(section.at, self.size), 1, 1)

    def of_pattern(self, pattern: str) -> list[Piece]:
        """Pieces where a pattern puts them."""
        if pattern == "cloud above the desk":
            return [self._cloud_above()]
        if pattern == "corner traps":
            return self._corner_traps()
        if pattern == "edge traps":
            return self._edge_traps()
        spots = {
            "side reflections": patterns.side_spots,
            "rear wall": patterns.rear_spots,
            "front wall behind loudspeakers": patterns.front_spots,
        }[pattern](self.scene)
        if not spots:
            raise CannotPlaceError(
                "pattern",
                f"no plumb surface of the room is where '{pattern}' would go; place it yourself "
                "with 'kind', 'on' and 'at'",
            )
        pieces = []
        for number, spot in enumerate(spots, start=1):
            facet = self.scene.facets[spot.facet]
            sheet = self._sheet_of(facet)
            ends = [facet.origin + u * facet.u + v * facet.v for u, v in _ends(spot.rect)]
            flat = np.array([sheet.measures(end) for end in ends])
            low, high = flat.min(axis=0), flat.max(axis=0)
            least = float(low[0]), float(low[1]), float(high[0]), float(high[1])
            rect = patterns.around(least, self.section.size, self.section.margin)
            pieces.append(self._covering(sheet, rect, number, len(spots)))
        return pieces

    def _cloud_above(self) -> Piece:
        thickness = self.lining.thickness_m
        least = patterns.cloud_rectangle(self.scene, self.section.gap, thickness)
        if least is None:
            raise CannotPlaceError(
                "pattern", "loudspeakers and seats are above where it would hang; lower its 'gap'"
            )
        rect = patterns.around(least, self.section.size, self.section.margin)
        low, high = np.array(rect[:2]), np.array(rect[2:])
        plan = traps.box_plan(low, high)
        top = traps.ceiling_over(self.scene, plan) - max(self.section.gap, self.clear_m)
        floor = float(self.scene.mesh.vertices[:, 2].min())
        x, y = plan.mean(axis=0)
        where = (
            f"under the ceiling, centred at ({x:.2f}, {y:.2f}) m, lower side "
            f"{top - thickness - floor:.2f} m up"
        )
        body = Body(upright(plan, top - thickness, top), where, plan)
        return self._body(body, 1, 1)

    def _cloud(self, sheet: Sheet, at: tuple[float, ...] | str) -> Body:
        gap = max(self.section.gap, self.clear_m)
        try:
            return traps.cloud(self.scene, sheet, at, self.size, self.lining.thickness_m, gap)
        except ValueError as error:
            raise CannotPlaceError("at", str(error)) from None

    def _corner_traps(self) -> list[Piece]:
        there = patterns.room_corners(self.scene)
        wanted = self.section.places or tuple(there)
        unknown = [place for place in wanted if place not in there]
        if unknown or not wanted:
            raise CannotPlaceError(
                "places" if unknown else "pattern",
                f"there is no corner '{', '.join(unknown)}'; plumb inner corners of the room are "
                f"{', '.join(there) or 'none'}",
            )
        return [
            self._body(self._corner_trap(there[place]), number, len(wanted))
            for number, place in enumerate(wanted, start=1)
        ]

    def _corner_trap(self, corner: traps.Corner) -> Body:
        section = self.section
        legs = self.size if len(self.size) == 2 else (*self.size, *self.size)
        body = traps.corner_trap(
            self.scene, corner, legs, section.gap, section.z, section.shape, self.clear_m
        )
        if body.heights[1] - body.heights[0] < 0.01:
            raise CannotPlaceError("z", "nothing is left of its height there; raise its top")
        return body

    def _edge_traps(self) -> list[Piece]:
        """Along the ceiling edges of some walls; the later stops where an earlier one is."""
        walls = self.section.places or ()
        pieces: list[Piece] = []
        for number, wall in enumerate(walls, start=1):
            body = self._edge_trap(wall, "ceiling", None, walls[: number - 1])
            pieces.append(self._body(body, number, len(walls)))
        return pieces

    def _edge_trap(
        self,
        wall: str,
        level: str,
        along: tuple[float, float] | None,
        earlier: Sequence[str] = (),
    ) -> Body:
        section = self.section
        legs = self.size if len(self.size) == 2 else (*self.size, *self.size)
        of_wall, of_level = (
            [f for f in self.scene.facets if name in (f.name, self._surface(f))]
            for name in (wall, level)
        )
        if len(of_wall) > 1:
            of_wall = [max(of_wall, key=lambda f: f.origin[2] + f.size[1])]
        clear = self.clear_m if section.shape == "square" else traps.CLEAR_M
        for one in of_wall:
            stretch = along or self._free_of(one, earlier, legs[1] + section.gap, clear)
            for other in of_level:
                body = traps.edge_trap(
                    self.scene, one, other, legs, section.gap, stretch, section.shape, clear
                )
                if body is not None:
                    return body
        raise CannotPlaceError(
            "places" if section.pattern else "on",
            f"'{wall}' and '{level}' have no edge of a plumb wall with a level ceiling or floor",
        )

    def _free_of(
        self, wall: Facet, earlier: Sequence[str], depth_m: float, clear_m: float
    ) -> tuple[float, float] | None:
        """What traps along earlier walls leave of an edge; None if they don't touch it."""
        first, last = clear_m, float(wall.size[0]) - clear_m
        for name in earlier:
            for other in (f for f in self.scene.facets if name in (f.name, self._surface(f))):
                corner = traps.find_corner(wall, other)
                if corner is None:
                    continue
                at_first = np.linalg.norm(wall.origin[:2] - corner.point) < traps.MEETS_M
                taken = depth_m / float(corner.along[0] @ corner.normals[1]) + 2 * clear_m
                first, last = (taken, last) if at_first else (first, last - taken)
        whole = (clear_m, float(wall.size[0]) - clear_m)
        return None if (first, last) == whole else (first, last)

    def _covering(self, sheet: Sheet, rect: Rect, number: int, count: int) -> Piece:
        try:
            facet, own = on_facet(self.scene, sheet, rect)
        except ValueError as error:
            of = f"piece {number}: " if count > 1 else ""
            key = "pattern" if self.section.pattern else "at"
            raise CannotPlaceError(key, f"{of}{error}") from None
        lining = self.lining
        low = lining.gap_m
        area = (own[2] - own[0]) * (own[3] - own[1])
        weight = None if lining.area_density is None else lining.area_density * area
        treatment = self._treatment(
            number,
            count,
            facet,
            own,
            describe(self.scene, sheet, rect),
            slab(self.scene.facets[facet], own, low, low + lining.thickness_m),
            weight,
        )
        return Piece(treatment)

    def _body(self, body: Body, number: int, count: int) -> Piece:
        density = self.lining.density
        volume = float(ConvexHull(body.corners).volume)
        weight = None if density is None else density * volume
        treatment = self._treatment(
            number, count, -1, (0.0, 0.0, 0.0, 0.0), body.where, body.corners, weight
        )
        return Piece(treatment, body)

    def _treatment(
        self,
        number: int,
        count: int,
        facet: int,
        rect: Rect,
        where: str,
        corners: Array,
        weight_kg: float | None,
    ) -> Treatment:
        section, kind = self.section, kind_of(self.section)
        assert kind is not None
        return Treatment(
            name=f"{self.name} {number}" if count > 1 else self.name,
            section=self.name,
            kind=kind,
            facet=facet,
            rect=rect,
            thickness_m=self.lining.thickness_m,
            gap_m=section.gap if facet < 0 else self.lining.gap_m,
            material=-1,
            fixing=section.fixing or FIXING.get(kind, "drilled"),
            cost=section.cost,
            weight_kg=section.weight if section.weight is not None else weight_kg,
            phase=section.phase,
            owned=section.owned,
            where=where,
            corners=corners,
        )

    def _sheet(self, name: str) -> Sheet:
        try:
            return find_sheet(self.scene, name, self.faces)
        except ValueError as error:
            raise CannotPlaceError("on", str(error)) from None

    def _sheet_of(self, facet: Facet) -> Sheet:
        """By the surface's name where it lies in one plane, else by the facet's."""
        try:
            return find_sheet(self.scene, self._surface(facet), self.faces)
        except ValueError:
            return find_sheet(self.scene, facet.name, self.faces)

    def _surface(self, facet: Facet) -> str:
        return self.scene.surfaces[facet.surface].name

    def _one(self, key: str) -> str:
        names = self.section.on or ()
        if len(names) != 1:
            raise CannotPlaceError(key, f"{len(names)} surfaces; name one")
        return names[0]

    def _two(self) -> tuple[str, str]:
        names = self.section.on or ()
        if len(names) != 2:
            raise CannotPlaceError("on", f"{len(names)} surfaces; name the two that meet")
        return names[0], names[1]


def _ends(rect: Rect) -> list[tuple[float, float]]:
    return [(u, v) for u in (rect[0], rect[2]) for v in (rect[1], rect[3])]
