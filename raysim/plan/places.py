"""Where things of a catalogue could go: geometry only, nothing is computed of the sound.

Covers are tried where a mirror would show a loudspeaker, and in rows along the walls and the
ceiling; traps in the corners; a cloud above the desk. Left and right come as a pair wherever both
have a place, so that a plan stays symmetric.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.plan.catalogue import DRILLED, Item, Limits
from raysim.scene.data import Facet, Scene
from raysim.scene.patterns import reflection_rectangle, room_corners
from raysim.scene.pieces import Piece
from raysim.scene.placing import Sheet, ways
from raysim.scene.solids import Solid, brick, reach_into, solid
from raysim.scene.workshop import Made, Workshop

Array = NDArray[np.float64]

CEILING = -0.7
SIDEWAYS = 0.7
UPRIGHT = 0.1
LEAST_AREA_M2 = 0.3
MARGIN_M = 0.02
STANDING_EDGE_M = (0.0, 0.7)
TOUCHING_M = 0.002
SAME_M = 0.02


@dataclass(frozen=True)
class Site:
    """A candidate in its place: one or more sections of a scene file.

    Attributes
    ----------
    name : str
    item : Item
    sections : tuple of (str, dict)
        Names and keys, as a scene file has them.
    pieces : tuple of Piece
    where : tuple of str
        In words, one a section.
    """

    name: str
    item: Item
    sections: tuple[tuple[str, dict[str, Any]], ...]
    pieces: tuple[Piece, ...]
    where: tuple[str, ...]

    @property
    def cost(self) -> float:
        """To spend for all pieces; what is owned costs nothing."""
        own = [piece.treatment for piece in self.pieces]
        return sum(0.0 if one.owned else one.cost or 0.0 for one in own)

    @property
    def weight_kg(self) -> float | None:
        """Of all pieces; None where not known."""
        weights = [piece.treatment.weight_kg for piece in self.pieces]
        return None if None in weights else sum(w or 0.0 for w in weights)


@dataclass(frozen=True)
class Surveyed:
    """What a survey found.

    Attributes
    ----------
    sites : tuple of Site
    left_out : dict of item name to str
        Why an item has no site.
    """

    sites: tuple[Site, ...]
    left_out: dict[str, str]


def why_not(item: Item, limits: Limits, depth_m: float) -> str:
    """Why a limit rules an item out; empty where none does."""
    if not limits.drilling and item.fixing in DRILLED:
        return f"it is {item.fixing}, and nothing may be drilled"
    if limits.depth_m is not None and depth_m > limits.depth_m + 1e-9:
        return f"it takes {depth_m:.2f} m from the wall, {limits.depth_m:.2f} m are allowed"
    if limits.budgets and not item.owned and (item.keys.get("cost") or 0) > limits.budgets[-1]:
        return f"one costs {item.keys['cost']:g}, the budget is {limits.budgets[-1]:g}"
    return ""


def survey(workshop: Workshop, items: Sequence[Item], limits: Limits) -> Surveyed:
    """Every site of every item that the limits allow."""
    sites: list[Site] = []
    left_out: dict[str, str] = {}
    for item in items:
        one = _Survey(workshop, item, limits)
        found = one.sites()
        if not found:
            left_out[item.name] = one.reason
        sites += found
    return Surveyed(tuple(sites), left_out)


def in_the_way(sites: Sequence[Site]) -> list[frozenset[str]]:
    """For each site the names of those that it would reach into."""
    bodies = [[_body(piece) for piece in site.pieces] for site in sites]
    found: list[set[str]] = [set() for _ in sites]
    for a in range(len(sites)):
        for b in range(a):
            if any(
                _are_near(one, other) and reach_into(one, other) > TOUCHING_M
                for one in bodies[a]
                for other in bodies[b]
            ):
                found[a].add(sites[b].name)
                found[b].add(sites[a].name)
    return [frozenset(names) for names in found]


def _body(piece: Piece) -> Solid:
    """What a piece fills, with the gap behind it, as `Reach.body`."""
    treatment = piece.treatment
    if treatment.is_object:
        return solid(treatment.corners)
    behind, before = treatment.corners[:4], treatment.corners[4:]
    wall = behind - treatment.gap_m * (before - behind) / treatment.thickness_m
    return brick(np.concatenate([wall, before]))


def _are_near(one: Solid, other: Solid) -> bool:
    return bool((one.bounds[0] < other.bounds[1]).all() and (other.bounds[0] < one.bounds[1]).all())


class _Survey:
    """Sites of one item."""

    def __init__(self, workshop: Workshop, item: Item, limits: Limits) -> None:
        self.workshop, self.item, self.limits = workshop, item, limits
        self.scene: Scene = workshop.scene
        self.right = ways(self.scene)["right"]
        self.seat = self.scene.receivers[0].position
        self.reason = ""
        self._places: dict[str, tuple[str, Made]] = {}
        columns, rows = item.keys.get("tiles", (1, 1))
        self.per_section = columns * rows
        self.sizes = [item.size]
        if item.turned and len(item.size) == 2:
            self.sizes.append((item.size[1], item.size[0]))

    def sites(self) -> list[Site]:
        self.reason = why_not(self.item, self.limits, 0.0)
        if self.reason:
            return []
        if self.item.kind == "corner trap":
            return self._traps()
        if self.item.kind == "cloud":
            keys = {"pattern": "cloud above the desk", "size": list(self.item.size)}
            made = self._site([keys])
            return [made] if made is not None else []
        found: list[Site] = []
        smallest = min(self.sizes, key=lambda size: size[0])
        fits = False
        for facet in self._facets():
            for size in self.sizes:
                whole = self._whole(size)
                if (facet.size < np.array(whole) - 1e-6).any():
                    continue
                fits = True
                found += self._on(facet, size, whole)
        if not fits:
            whole = self._whole(smallest)
            self.reason = (
                f"it takes {whole[0]:.2f} x {whole[1]:.2f} m, more than any surface that it may "
                "hang on; give a smaller stock size, or other 'places'"
            )
        return found

    def _whole(self, size: tuple[float, ...]) -> tuple[float, float]:
        columns, rows = self.item.keys.get("tiles", (1, 1))
        return columns * size[0], rows * size[1]

    def _facets(self) -> Iterator[Facet]:
        front = ways(self.scene)["front"]
        for facet in self.scene.facets:
            if self.scene.surfaces[facet.surface].owner != "room" or facet.area < LEAST_AREA_M2:
                continue
            if facet.normal[2] < CEILING:
                word = "ceiling"
            elif abs(facet.normal[2]) > UPRIGHT:
                continue
            elif abs(facet.normal @ self.right) > SIDEWAYS:
                word = "side walls"
            else:
                word = "front wall" if facet.normal @ front < 0 else "rear wall"
            if word in self.item.places:
                yield facet

    def _on(self, facet: Facet, size: tuple[float, ...], whole: tuple[float, float]) -> list[Site]:
        """Sites on a facet: at mirror points and in a row, pairs made where there are mates."""
        name = self.scene.surfaces[facet.surface].name
        try:
            sheet = self.workshop.sheet(name)
        except ValueError:
            name, sheet = facet.name, self.workshop.sheet(facet.name)
        found: list[Site] = []
        for centre in self._centres(facet, sheet, whole):
            if sheet.is_wall and facet.normal @ self.right > SIDEWAYS:
                continue  # made as the mate of one opposite, or on its own below
            found += self._paired(name, sheet, centre, size, whole)
        if sheet.is_wall and facet.normal @ self.right > SIDEWAYS:
            for centre in self._centres(facet, sheet, whole):
                if self._mate(sheet.lift(centre)) is None or not self._opposite_is_free(
                    sheet.lift(centre), size, whole
                ):
                    made = self._site([self._keys(name, centre, size, whole)])
                    found += [made] if made else []
        return found

    def _paired(
        self,
        name: str,
        sheet: Sheet,
        centre: Array,
        size: tuple[float, ...],
        whole: tuple[float, float],
    ) -> list[Site]:
        own = self._keys(name, centre, size, whole)
        point = sheet.lift(centre)
        mate = self._mate(point)
        across = abs(float((point - self.seat) @ self.right))
        faces_side = sheet.is_wall and abs(sheet.normal @ self.right) >= SIDEWAYS
        wide = whole[0] if sheet.is_wall else float(np.abs(self.right[:2]) @ whole)
        is_apart = across > SAME_M if faces_side else across > max(SAME_M, wide / 2)
        if mate is not None and is_apart:
            if not faces_side:
                if (point - self.seat) @ self.right > 0:
                    return []  # the same pair from its other side
            other_name, _, other = mate
            both = self._site([own, self._keys(other_name, other, size, whole)])
            if both is not None and self._affordable(both):
                return [both]
        made = self._site([own])
        return [made] if made is not None else []

    def _affordable(self, site: Site) -> bool:
        limits, have = self.limits, self.item.have
        return not (
            (limits.budgets and site.cost > limits.budgets[-1])
            or (limits.count is not None and len(site.sections) > limits.count)
            or (have is not None and len(site.pieces) > have)
        )

    def _opposite_is_free(
        self, point: Array, size: tuple[float, ...], whole: tuple[float, float]
    ) -> bool:
        mate = self._mate(point)
        if mate is None:
            return False
        name, _, centre = mate
        return bool(self._tried(self._keys(name, centre, size, whole))[1].pieces)

    def _mate(self, point: Array) -> tuple[str, Sheet, Array] | None:
        """Surface, sheet and measures of a point's mirror image at the other side."""
        image = point - 2 * ((point - self.seat) @ self.right) * self.right
        for facet in self.scene.facets:
            if self.scene.surfaces[facet.surface].owner != "room":
                continue
            if abs((image - facet.origin) @ facet.normal) > SAME_M:
                continue
            flat = facet.to_plane(image)
            if (flat < 0).any() or (flat > facet.size).any():
                continue
            name = self.scene.surfaces[facet.surface].name
            try:
                sheet = self.workshop.sheet(name)
            except ValueError:
                name, sheet = facet.name, self.workshop.sheet(facet.name)
            return name, sheet, sheet.measures(image)
        return None

    def _centres(self, facet: Facet, sheet: Sheet, whole: tuple[float, float]) -> list[Array]:
        """Middles to try, in the sheet's measures."""
        low, high = sheet.low + MARGIN_M, sheet.high - MARGIN_M
        half = np.array(whole) / 2
        tried: list[Array] = []
        rects = [reflection_rectangle(self.scene, facet, one) for one in self.scene.receivers]
        for rect in rects:
            if rect is not None:
                ends = [facet.origin + u * facet.u + v * facet.v
                        for u, v in ((rect[0], rect[1]), (rect[2], rect[3]))]  # fmt: skip
                tried.append(np.mean([sheet.measures(end) for end in ends], axis=0))
        count = max(1, int((high[0] - low[0] - whole[0]) / (0.75 * whole[0])) + 1)
        row = np.linspace(low[0] + half[0], high[0] - half[0], count)
        for across in row:
            for up in self._rows(sheet, whole, low, high):
                tried.append(np.array([across, up]))
        placed: list[Array] = []
        for centre in tried:
            at = np.clip(centre, low + half, np.maximum(low + half, high - half))
            if sheet.is_wall:
                edge = at[1] - half[1]
                at[1] = float(np.clip(edge, *self._lower_edges())) + half[1]
            at = np.round(at, 2)
            if (at + half > high + 1e-6 + MARGIN_M).any():
                continue
            if all(np.abs(at - other).max() > SAME_M for other in placed):
                placed.append(at)
        return placed

    def _rows(
        self, sheet: Sheet, whole: tuple[float, float], low: Array, high: Array
    ) -> list[float]:
        if not sheet.is_wall:
            count = max(1, int((high[1] - low[1] - whole[1]) / (0.75 * whole[1])) + 1)
            return [float(v) for v in
                    np.linspace(low[1] + whole[1] / 2, high[1] - whole[1] / 2, count)]  # fmt: skip
        ear = float(self.seat[2] - self.scene.floor_m)
        return [ear, high[1] - whole[1] / 2, low[1] + whole[1] / 2]

    def _lower_edges(self) -> tuple[float, float]:
        if self.item.lower_edge_m is not None:
            return self.item.lower_edge_m
        return STANDING_EDGE_M if self.item.fixing == "standing" else (0.0, 100.0)

    def _keys(
        self, name: str, centre: Array, size: tuple[float, ...], whole: tuple[float, float]
    ) -> dict[str, Any]:
        low = np.round(centre - np.array(whole) / 2, 3)
        return {
            "kind": self.item.kind,
            "on": name,
            "at": [float(low[0]), float(low[1])],
            "size": list(size),
        }

    def _section(self, keys: dict[str, Any]) -> dict[str, Any]:
        return {**keys, **self.item.keys}

    def _traps(self) -> list[Site]:
        corners = room_corners(self.scene)
        found = []
        for side in ("front", "rear"):
            both = [name for name in corners if name.startswith(side)]
            if len(both) == 2:
                made = self._site([self._trap_keys(both)])
                if made is not None and self._affordable(made):
                    found.append(made)
                    continue
            for name in both:
                made = self._site([self._trap_keys([name])])
                if made is not None:
                    found.append(made)
        return found

    def _trap_keys(self, places: list[str]) -> dict[str, Any]:
        return {"pattern": "corner traps", "places": places, "size": list(self.item.size)}

    def _tried(self, keys: dict[str, Any]) -> tuple[str, Made]:
        """A place tried once: the name of its section, and what came of it."""
        key = repr(sorted(keys.items()))
        if key not in self._places:
            name = f"{self.item.name}_{len(self._places) + 1}"
            self._places[key] = name, self.workshop.make(name, self._section(keys))
        return self._places[key]

    def _site(self, all_keys: list[dict[str, Any]]) -> Site | None:
        """A site of these sections; None, and a reason, where one of them has no place."""
        sections: list[tuple[str, dict[str, Any]]] = []
        pieces: list[Piece] = []
        where: list[str] = []
        for keys in all_keys:
            own, made = self._tried(keys)
            if not made.pieces:
                self.reason = self.reason or made.refused[0]
                return None
            for piece in made.pieces:
                t = piece.treatment
                refused = why_not(self.item, self.limits, t.gap_m + t.thickness_m)
                if refused:
                    self.reason = refused
                    return None
            sections.append((own, dict(made.keys)))
            pieces += made.pieces
            where.append(_place_of(made.pieces))
        if len(all_keys) == 2 and reach_into(_body(pieces[0]), _body(pieces[-1])) > TOUCHING_M:
            return None
        name = " and ".join(own for own, _ in sections)
        return Site(name, self.item, tuple(sections), tuple(pieces), tuple(where))


def _place_of(pieces: Sequence[Piece]) -> str:
    if len(pieces) == 1:
        return pieces[0].treatment.where
    return f"{pieces[0].treatment.where} to {pieces[-1].treatment.where}"
