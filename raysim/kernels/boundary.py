"""What materials do to sound that meets them, and which material is where in which variant."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import allocating, compiled, inlined
from raysim.kernels.lanes import gather, greater, lesser, real, whole
from raysim.kernels.vec import Vec, dot, row, sub


class Boundary(NamedTuple):
    """Materials, and that of each facet in the bare room. A material goes by its first row.

    material : (facets,) int32, first row in the tables below
    reflectance : (rows, bands), 1 - absorption; of each material one row for all angles, or one
        each for evenly spaced cosines of incidence from 0 to 1
    steps : (rows,) int32, into how many the rows of a material divide the cosines; 0 where it has
        one row
    scattering : (rows, classes), the same in all rows of a material
    band_class : (bands,) int64, class of each band
    """

    material: NDArray[np.int32]
    reflectance: NDArray[np.float64]
    steps: NDArray[np.int32]
    scattering: NDArray[np.float64]
    band_class: NDArray[np.int64]


class Cover(NamedTuple):
    """What variants of the room have on its facets, as rectangles; of two the later is on top.

    first : (facets + 1,) int32, covers of facet i are first[i] to first[i + 1] - 1
    rect : (covers, 4) low u, low v, high u, high v, m
    material : (covers,) int32
    present : (covers, variants) bool
    frame : (facets, 3, 3) origin, u and v of each facet
    """

    first: NDArray[np.int32]
    rect: NDArray[np.float64]
    material: NDArray[np.int32]
    present: NDArray[np.bool_]
    frame: NDArray[np.float64]


@inlined
def rows_at(boundary, material, cosine):  # type: ignore[no-untyped-def]
    """Rows of reflectance on both sides of a cosine of incidence, and its share of the way.

    Of one material, or of sixteen at a time.
    """
    # Without a branch: one to a table of its own cost every reflection 20 % more.
    steps = real(gather(boundary.steps, material))
    place = lesser(greater(cosine, 0.0), 1.0) * steps
    before = whole(place)
    after = whole(lesser(real(before) + 1.0, steps))
    return material + before, material + after, place - real(before)


@inlined
def between(table: NDArray[np.float64], low: int, high: int, share: float, column: int) -> float:
    """Entry of a column between two rows."""
    r = table[low, column]
    return r + share * (table[high, column] - r)


@inlined
def reflect(boundary: Boundary, material: int, cosine: float, energy: NDArray[np.float64]) -> None:
    """Multiply energy : (bands,) by what a material reflects at an angle of incidence."""
    low, high, share = rows_at(boundary, material, cosine)
    for b in range(len(energy)):
        energy[b] *= between(boundary.reflectance, low, high, share, b)


@inlined
def covering(cover: Cover, facet: int, p: Vec, over: NDArray[np.int64]) -> int:
    """Number of covers over point p of a facet; their indices go to `over`."""
    first, last = cover.first[facet], cover.first[facet + 1]
    frame = cover.frame[facet]
    away = sub(p, row(frame, 0))
    u, v = dot(away, row(frame, 1)), dot(away, row(frame, 2))
    count = 0
    for i in range(first, last):
        if cover.rect[i, 0] <= u < cover.rect[i, 2] and cover.rect[i, 1] <= v < cover.rect[i, 3]:
            over[count] = i
            count += 1
    return count


@inlined
def material_in(cover: Cover, over: NDArray[np.int64], count: int, variant: int, base: int) -> int:
    """Material of a variant at a point under `count` covers, `base` where it has none of them."""
    for i in range(count - 1, -1, -1):
        if cover.present[over[i], variant]:
            return cover.material[over[i]]
    return base


@allocating
def materials_at(
    boundary: Boundary,
    cover: Cover,
    facet: NDArray[np.int64],
    point: NDArray[np.float64],
    out: NDArray[np.int64],
) -> None:
    """Material of every variant at point : (n, 3) on each facet, out : (variants, n)."""
    over = np.empty(len(cover.material), np.int64)
    for i in range(len(facet)):
        count = covering(cover, facet[i], row(point, i), over)
        for v in range(len(out)):
            out[v, i] = material_in(cover, over, count, v, boundary.material[facet[i]])


@compiled
def reflect_each(
    boundary: Boundary,
    material: NDArray[np.int64],
    cosine: NDArray[np.float64],
    energy: NDArray[np.float64],
) -> None:
    """Multiply energy : (bands,) by what each material on a path reflects, at its cosine."""
    for i in range(len(material)):
        reflect(boundary, material[i], cosine[i], energy)
