"""The scene as frozen data: what the room is.

Coordinates are metres, z up. A tape-measured room has x from the left wall, y from the front
wall; facing the front wall, x grows to the right, so its axes are left-handed in space. A mesh
keeps the axes of its modeller, which are right-handed. Acoustics does not care; words such as
'left', azimuths and drawings do, and take it from `Scene.handedness`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from raysim.air import Climate
from raysim.loudspeakers.directivity import Directivity
from raysim.surfaces.construction import Construction

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Material:
    """What a surface does to sound, per band of the scene.

    Attributes
    ----------
    absorption, scattering : (bands,) float
        Random-incidence absorption coefficient (ISO 354) and scattering coefficient (ISO 17497-1).
    absorption_low, absorption_high : (bands,) float
        Range within which the absorption is believed to lie.
    source : str
        Where the numbers come from: a publication, 'from memory', 'judgement', 'given in the
        scene', 'computed from layers'.
    construction : Construction or None
        Layers from which absorption at any angle and impedance follow, with their texts.
    """

    name: str
    absorption: Array
    scattering: Array
    absorption_low: Array
    absorption_high: Array
    source: str
    construction: Construction | None = None

    def __post_init__(self) -> None:
        if self.construction is not None and not self.construction.texts:
            raise ValueError(f"material '{self.name}': make its construction with parse_layers")


@dataclass(frozen=True)
class Mesh:
    """Triangles that bound the air. Normals by the right-hand rule of the stored axes point
    into the air.

    Attributes
    ----------
    vertices : (n, 3) float, m
    triangles : (m, 3) int
    surface : (m,) int
        Index into `Scene.surfaces`.
    facet : (m,) int
        Index into `Scene.facets`.
    sheet : (m,) bool
        One side of a free-standing sheet; the other side is a triangle of opposite winding at
        the same place.
    """

    vertices: Array
    triangles: Ints
    surface: Ints
    facet: Ints
    sheet: Bools

    @cached_property
    def corners(self) -> Array:
        """(m, 3, 3) float: triangle, corner, axis."""
        return self.vertices[self.triangles]

    @cached_property
    def areas(self) -> Array:
        """(m,) float, m2."""
        a, b, c = self.corners.transpose(1, 0, 2)
        return np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2)


@dataclass(frozen=True)
class Surface:
    """A named part of the boundary with one material (index into `Scene.materials`).

    `owner` is 'room' or the name of the object it belongs to.
    """

    name: str
    material: int
    owner: str = "room"


@dataclass(frozen=True)
class Facet:
    """Connected coplanar triangles of one surface, with a frame in which walls are drawn.

    Attributes
    ----------
    name : str
        The surface's name, with a number where the surface has several facets ('desk 2').
    surface : int
    origin : (3,) float
        Lower left corner of the bounding rectangle as seen from inside.
    u, v, normal : (3,) float
        Unit vectors: u to the right and v up as seen from inside, normal into the air.
        On floors v points to the front of the room, on ceilings too.
    size : (2,) float
        Extent along u and v, m.
    area : float, m2
    outline : tuple of (k, 2) float
        Closed boundary loops in (u, v), outer first, then holes; last point not repeated.
    """

    name: str
    surface: int
    origin: Array
    u: Array
    v: Array
    normal: Array
    size: Array
    area: float
    outline: tuple[Array, ...]

    def to_plane(self, points: Array) -> Array:
        """(..., 3) points to (..., 2) coordinates (u, v) in m."""
        return np.stack([(points - self.origin) @ self.u, (points - self.origin) @ self.v], axis=-1)


@dataclass(frozen=True)
class Source:
    """A loudspeaker's acoustic centre and the unit vector it aims at.

    `directivity` is by band of the scene; None radiates alike in all directions. The rest is what
    it is fed where several play together: `delay_s` late, with turned polarity, and above
    `highpass_hz` (0: all), where a crossover leaves what is below to a subwoofer.
    """

    name: str
    position: Array
    aim: Array
    level_db: float = 0.0
    directivity: Directivity | None = None
    delay_s: float = 0.0
    is_inverted: bool = False
    highpass_hz: float = 0.0


@dataclass(frozen=True)
class Receiver:
    """A listener: position, facing (unit vector) and half-widths of the zone the head moves in."""

    name: str
    position: Array
    facing: Array
    zone: Array = field(default_factory=lambda: np.full(3, 0.15))


@dataclass(frozen=True)
class KeepClear:
    """Rectangle of a surface where nothing may hang, and why.

    Attributes
    ----------
    on : str
        Name of the surface.
    at, size : (2,) float, m
        Lower left corner as seen from inside, width and height; on floor and ceiling of
        tape-measured rooms the corner (x, y) and the extent along x and y.
    hard : bool
        An exit, a detector, a vent: no treatment may override it.
    depth_m : float
        How far into the room it must stay clear as well.
    swing : str
        'left' or 'right' for a door that opens into the room and hangs at that edge as seen
        from inside, else ''.
    """

    name: str
    on: str
    at: tuple[float, float]
    size: tuple[float, float]
    reason: str
    hard: bool = False
    depth_m: float = 0.0
    swing: str = ""


@dataclass(frozen=True)
class Treatment:
    """Something hung, glued or stood in the room: one piece.

    Attributes
    ----------
    name : str
        That of its section, with a number where the section makes several pieces.
    section : str
        Name of its section in the scene file.
    kind : str
        'panel', 'diffuser', 'tiles', 'membrane', 'resonator'; or an object of its own: 'corner
        trap', 'edge trap', 'cloud', 'screen'.
    facet : int
        Index into `Scene.facets` of what it covers; -1 for an object, which changes the mesh.
    rect : (low u, low v, high u, high v), m
        On that facet's frame; zeros for an object.
    thickness_m, gap_m : float
        Of the thing itself, and of the air behind it.
    material : int
        Index into `Scene.materials`.
    fixing : str
        'drilled', 'glued', 'hung' or 'standing'.
    cost, weight_kg : float or None
        Of this piece; None where not known. The weight is that of the layers.
    phase : int
        When it is bought, from 1.
    owned : bool
        Whether it is there already.
    where : str
        The place in words and centimetres.
    corners : (n, 3) float, m
        Corners of the convex body it fills, the gap left out.
    """

    name: str
    section: str
    kind: str
    facet: int
    rect: tuple[float, float, float, float]
    thickness_m: float
    gap_m: float
    material: int
    fixing: str
    cost: float | None
    weight_kg: float | None
    phase: int
    owned: bool
    where: str
    corners: Array

    @property
    def is_object(self) -> bool:
        """Whether it changes the mesh instead of covering a facet."""
        return self.facet < 0

    @property
    def area_m2(self) -> float:
        """Area that it covers; 0 for an object."""
        return (self.rect[2] - self.rect[0]) * (self.rect[3] - self.rect[1])


@dataclass(frozen=True)
class Shell:
    """Boundary of the air with a variant's objects in it; fields as in `Scene`."""

    mesh: Mesh
    surfaces: tuple[Surface, ...]
    facets: tuple[Facet, ...]
    volume: float
    mesh_sha256: str


@dataclass(frozen=True)
class Variant:
    """What the room is to be compared with itself as.

    Attributes
    ----------
    treatments : tuple of int
        Indices into `Scene.treatments`; of two on one place the later is on top.
    surfaces : tuple of (int, int)
        Indices into `Scene.surfaces` and `Scene.materials`: a surface and its other material.
    sources, receivers : tuple
        Those moved, whole; empty if none are.
    shell : int
        Index into `Scene.shells`; -1 where no object changes the mesh.
    note : str
        What it is in words.
    """

    name: str
    treatments: tuple[int, ...] = ()
    surfaces: tuple[tuple[int, int], ...] = ()
    sources: tuple[Source, ...] = ()
    receivers: tuple[Receiver, ...] = ()
    shell: int = -1
    note: str = ""


@dataclass(frozen=True)
class Scene:
    """All that is known of the room.

    Attributes
    ----------
    bands_hz : tuple of float
        Nominal octave labels (IEC 61260-1).
    volume : float
        Enclosed air, objects taken off, m3.
    front : (3,) float
        Horizontal unit vector that a listener at the seat faces.
    handedness : int
        +1 right-handed axes (meshes), -1 left-handed (tape-measured rooms).
    notes : tuple of str
        What reading the scene guessed, repaired or assumed, one sentence each.
    warnings : tuple of str
        What a careful reader would ask about, one sentence each.
    text : str
        The scene file as read.
    path : str
        Name of the scene file without folder.
    mesh_sha256 : str
        Digest of vertices, triangles and surfaces as used.
    tolerance_m : float or None
        By how much each length measured with a tape may be off; None where it is not stated, and
        for meshes.
    materials : tuple of Material
        Those of surfaces first, then those of treatments and variants only.
    variants : tuple of Variant
        Where there are any the first is 'base', the room as it is without treatments.
    shells : tuple of Shell
        Boundaries of variants whose treatments are objects.
    """

    title: str
    mesh: Mesh
    surfaces: tuple[Surface, ...]
    facets: tuple[Facet, ...]
    materials: tuple[Material, ...]
    sources: tuple[Source, ...]
    receivers: tuple[Receiver, ...]
    climate: Climate
    bands_hz: tuple[float, ...]
    volume: float
    front: Array
    handedness: int
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    text: str = ""
    path: str = ""
    mesh_sha256: str = ""
    keep_clear: tuple[KeepClear, ...] = ()
    tolerance_m: float | None = None
    treatments: tuple[Treatment, ...] = ()
    variants: tuple[Variant, ...] = ()
    shells: tuple[Shell, ...] = ()

    @cached_property
    def area(self) -> float:
        """Total area of all surfaces, m2."""
        return float(self.mesh.areas.sum())

    @cached_property
    def absorption(self) -> Array:
        """(triangles, bands) absorption coefficient of each triangle."""
        return self._per_triangle("absorption")

    @cached_property
    def scattering(self) -> Array:
        """(triangles, bands) scattering coefficient of each triangle."""
        return self._per_triangle("scattering")

    @cached_property
    def floor_m(self) -> float:
        """Height of the lowest point of the boundary, m."""
        return float(self.mesh.vertices[np.unique(self.mesh.triangles), 2].min())

    def right_of(self, facing: Array) -> Array:
        """Horizontal unit vector to the right hand of someone facing `facing`."""
        side = self.handedness * np.array([facing[1], -facing[0], 0.0])  # facing x up
        return np.asarray(side / np.linalg.norm(side))

    def frame_of(self, source: Source) -> Array:
        """(3, 3) rows are unit vectors ahead, right and top of a source's cabinet.

        The cabinet stands upright and turns, then pitches. One that aims straight up or down has
        pitched from facing as the listeners do.
        """
        ahead = source.aim / np.linalg.norm(source.aim)
        level = ahead * (1.0, 1.0, 0.0)
        upright = np.linalg.norm(level) > 1e-6
        right = self.right_of(level if upright else self.front)
        return np.stack([ahead, right, self.handedness * np.cross(right, ahead)])

    def _per_triangle(self, quantity: str) -> Array:
        per_material = np.stack([getattr(m, quantity) for m in self.materials])
        per_surface = per_material[[s.material for s in self.surfaces]]
        return np.asarray(per_surface[self.mesh.surface])
