"""What came out of a run, and what made it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.scene.data import Scene
from raysim.scene.variants import scene_of
from raysim.settings import Settings

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Reflection:
    """One specular path from a source to a receiver; the direct sound has order 0.

    Attributes
    ----------
    variant, source, receiver : int
    facets : tuple of int
        Facets met, in order from the source.
    points : (order, 3) float
        Where it meets them, m.
    length_m : float
        Path length.
    delay_s : float
        Arrival after the direct sound (after the straight line where that is blocked).
    energy : (bands,) float
        Squared pressure re the free field of the same source at 10 m.
    level_db : (bands,) float
        Level re the unobstructed direct sound of the same source at this receiver.
    azimuth_deg : float
        Where it comes from: 0 in front of the facing receiver, positive to the right, -180..180.
    elevation_deg : float
        Positive above.
    """

    variant: int
    source: int
    receiver: int
    facets: tuple[int, ...]
    points: Array
    length_m: float
    delay_s: float
    energy: Array
    level_db: Array
    azimuth_deg: float
    elevation_deg: float

    @property
    def order(self) -> int:
        """Number of reflections."""
        return len(self.facets)


PLAN_STEP_M = 0.25
MAP_QUANTITIES = ("early level", "T20")
MAP_WINDOWS_S = (0.015, 0.050)
MAP_BOOKS = ("emitted", "absorbed", "air", "left", "lost", "by chance")


@dataclass(frozen=True)
class Maps:
    """What falls on each patch of the facets, and what its absorption would change.

    Patches are numbered facet by facet, row by row from the lower left corner. Pairs are a value
    and its standard error.

    Attributes
    ----------
    first, columns, rows : (facets,) int
        First patch of each facet, and its grid.
    side_m : (facets, 2) float
        Of a patch along u and v.
    area_m2 : (patches,) float
        Part of the patch that is surface; 0 beyond the facet's outline.
    rays : int
        A source.
    incident : pair of (patches, source, window, band) float
        Share of the source's energy that falls on the patch, per m2, by the delay after the
        straight line from the source to the patch (MAP_WINDOWS_S).
    arriving : pair of (patches, source, receiver, window, band) float
        Squared pressure re the free field at 10 m that comes from the patch last, per m2, by the
        delay after the direct sound.
    slope : pair of (patches, source, quantity, receiver, band) float
        Derivative of each of MAP_QUANTITIES (level of the reflections within 15 ms, dB; T20, s)
        with respect to absorption area added on the patch, per m2. NaN where undefined.
    books : (source, 6, band) float
        MAP_BOOKS a ray: emitted = the sum of the others; 'by chance' is what roulette and hero
        decisions took, zero on average.
    """

    first: NDArray[np.int64]
    columns: NDArray[np.int64]
    rows: NDArray[np.int64]
    side_m: Array
    area_m2: Array
    rays: int
    incident: tuple[Array, Array]
    arriving: tuple[Array, Array]
    slope: tuple[Array, Array]
    books: Array


@dataclass(frozen=True)
class BassField:
    """Bass in the rest of the room; pressures as in `Bass`, NaN where a variant has no air.

    Attributes
    ----------
    plan_m : (plan, 3) float
        Points at the height of the first receiver, PLAN_STEP_M apart, its own place among them.
    plan_cell : (plan, 2) int
        Steps to the right and to the front from that receiver.
    plan : (variant, source, plan, frequency) complex64
    corner_name : tuple of str
        'front left, floor'.
    corner_m : (corner, 3) float
        A little off the corner where three surfaces meet.
    corner : (variant, source, corner, frequency) complex64
    mean_square, middle_square : (variant, source, frequency) float
        Mean squared pressure over the room, and over the inner half of each of its sides.
    """

    plan_m: Array
    plan_cell: NDArray[np.int64]
    plan: NDArray[np.complex64]
    corner_name: tuple[str, ...]
    corner_m: Array
    corner: NDArray[np.complex64]
    mean_square: Array
    middle_square: Array


@dataclass(frozen=True)
class Bass:
    """Waves below the rays, of every variant.

    Attributes
    ----------
    frequency_hz : (frequency,) float
    zone : (variant, source, receiver, point, frequency) complex
        Pressure re the free field of the same source at 10 m, with exp(j omega t); the direct
        sound at r metres is 10/r. Point 0 is the receiver, the others are the corners of its
        zone, drawn in where a surface is nearer.
    mode_variant : (mode,) int
    mode_frequency_hz, mode_decay_time_s : (mode,) float
        Rising within each variant; time for 60 dB, infinite where nothing absorbs.
    mode_at_receivers : (mode, receiver) float
    mode_at_sources : (mode, source) float
        Pressure of the mode, mean square 1 over the room; 0 on a node.
    mode_kind : tuple of str
        'along the length, 1st'; empty where the mode is unlike any of the bounding box.
    unknowns : (variant,) int
        Size of the problem before it was reduced.
    box_share : (variant,) float
        Volume over that of the bounding box; 1 in a box.
    notes : tuple of str
        What was chosen, assumed or left out, one sentence each.
    field : BassField
    """

    frequency_hz: Array
    zone: NDArray[np.complex128]
    mode_variant: NDArray[np.int64]
    mode_frequency_hz: Array
    mode_decay_time_s: Array
    mode_at_receivers: Array
    mode_at_sources: Array
    mode_kind: tuple[str, ...]
    unknowns: NDArray[np.int64]
    box_share: Array
    notes: tuple[str, ...]
    field: BassField

    def of_variant(self, number: int) -> Bass:
        """The bass of one variant alone."""
        own, field = self.mode_variant == number, self.field
        one = slice(number, number + 1)
        return replace(
            self,
            zone=self.zone[one],
            mode_variant=np.zeros(int(own.sum()), np.int64),
            mode_frequency_hz=self.mode_frequency_hz[own],
            mode_decay_time_s=self.mode_decay_time_s[own],
            mode_at_receivers=self.mode_at_receivers[own],
            mode_at_sources=self.mode_at_sources[own],
            mode_kind=tuple(k for k, chosen in zip(self.mode_kind, own, strict=True) if chosen),
            unknowns=self.unknowns[one],
            box_share=self.box_share[one],
            field=replace(
                field,
                plan=field.plan[one],
                corner=field.corner[one],
                mean_square=field.mean_square[one],
                middle_square=field.middle_square[one],
            ),
        )

    @property
    def response(self) -> NDArray[np.complex128]:
        """(variant, source, receiver, frequency) at the receivers."""
        return self.zone[..., 0, :]


@dataclass(frozen=True)
class Result:
    """All that came out and all that made it; a report needs nothing else.

    Attributes
    ----------
    variants : tuple of str
    image_order : int
        Highest order of image sources used; longer specular paths are in the ray part.
    time_s : (time,) float
        Left edge of each bin, counted from the arrival of the direct sound at each receiver.
    energy_batches : (batch, variant, source, receiver, band, time) float
        Squared pressure in each bin re the free field of the same source at 10 m: early paths
        (the same in every batch) plus the batch's own late estimate.
    reflections : tuple of Reflection
    rounds : int
        Equal portions of rays averaged in each batch; what extending a run continues from.
    rays : int
        Rays a source, over all batches.
    reflection_count, lost_rays : int
        Over all sources.
    receiver_radius_m : (receivers,) float
        Radius of the counting sphere used.
    stopped_by : str
        Which limit ended the run, and the precision reached, in words.
    duration_of_run_s : float
        Wall-clock seconds of the computation.
    raysim_version, created : str
        Version that computed it; UTC time in ISO 8601.
    maps : Maps or None
        Of the first variant.
    bass : Bass or None
    """

    scene: Scene
    settings: Settings
    variants: tuple[str, ...]
    image_order: int
    time_s: Array
    energy_batches: Array
    reflections: tuple[Reflection, ...]
    rounds: int
    rays: int
    reflection_count: int
    lost_rays: int
    receiver_radius_m: Array
    stopped_by: str
    duration_of_run_s: float
    raysim_version: str
    created: str
    maps: Maps | None = None
    bass: Bass | None = None

    @property
    def energy(self) -> Array:
        """(variant, source, receiver, band, time): mean over batches."""
        return np.asarray(self.energy_batches.mean(axis=0))

    @property
    def bin_s(self) -> float:
        """Width of a time bin."""
        return self.settings.bin_s

    def scene_in(self, variant: int) -> Scene:
        """The scene with the boundary, sources and receivers of a variant, by its number.

        Facets of reflections are numbered in it.
        """
        return self._scenes[variant]

    @cached_property
    def _scenes(self) -> tuple[Scene, ...]:
        named = {variant.name: variant for variant in self.scene.variants}
        return tuple(
            scene_of(self.scene, named[name]) if name in named else self.scene
            for name in self.variants
        )

    def to_xarray(self, group: str = "decay") -> Any:
        """One group of the result file as an `xarray.Dataset`: see `results.labelled`."""
        from raysim.results.labelled import to_xarray  # it builds on this module

        return to_xarray(self, group)
