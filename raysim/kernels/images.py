"""Exact specular paths in any mesh: image sources over facets, visibility by ray.

A sequence of facets is worth looking at only while each image lies in front of the next facet
(Borish 1984). A path holds if the ray from the receiver towards the last image meets the last
facet first, the ray from there towards the image before it the facet before, and so on.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from raysim.kernels.compiled import allocating, inlined, uncounted
from raysim.kernels.nearest import nearest
from raysim.kernels.tree import GRAZE_M, NOTHING, STACK, Tree
from raysim.kernels.vec import Vec, along, dot, row, set_row, sub, unit


class Planes(NamedTuple):
    """Facets as planes with a box around each.

    normal : (facets, 3), level : (facets,) n.p = level on the facet
    low, high : (facets, 3) bounding box, m
    """

    normal: NDArray[np.float64]
    level: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


@uncounted
def mirror_point(p: Vec, n: Vec, level: float) -> Vec:
    """Image of a point in a plane."""
    return along(p, -2.0 * (dot(p, n) - level), n)


@inlined
def in_box(planes: Planes, f: int, p: Vec, slack: float) -> bool:
    """Whether a point lies in facet f's box, or at most `slack` m outside."""
    return (
        planes.low[f, 0] - slack <= p.x <= planes.high[f, 0] + slack
        and planes.low[f, 1] - slack <= p.y <= planes.high[f, 1] + slack
        and planes.low[f, 2] - slack <= p.z <= planes.high[f, 2] + slack
    )


@uncounted
def may_meet(planes: Planes, f: int, receiver: Vec, image: Vec) -> bool:
    """Whether the line from receiver to image crosses facet f's box; cheap, never wrongly no."""
    n = row(planes.normal, f)
    ahead = dot(receiver, n) - planes.level[f]
    if ahead <= 0.0:
        return False
    behind = planes.level[f] - dot(image, n)
    p = along(receiver, ahead / (ahead + behind), sub(image, receiver))
    return in_box(planes, f, p, 1e-6)


@uncounted
def may_hold(
    planes: Planes,
    chosen: NDArray[np.int64],
    images: NDArray[np.float64],
    order: int,
    receiver: Vec,
) -> bool:
    """Whether the line from each image meets the box of its facet, back from the receiver.

    Cheap, never wrongly no.
    """
    p, slack = receiver, 1e-6
    for leg in range(order, 0, -1):
        f, image = chosen[leg - 1], row(images, leg)
        n = row(planes.normal, f)
        ahead, behind = dot(p, n) - planes.level[f], planes.level[f] - dot(image, n)
        if ahead < -slack or behind < -slack:
            return False
        p = along(p, ahead / (ahead + behind), sub(image, p))
        if not in_box(planes, f, p, slack):
            return False
    return True


@uncounted
def path_holds(
    tree: Tree,
    chosen: NDArray[np.int64],
    images: NDArray[np.float64],
    order: int,
    receiver: Vec,
    stack: NDArray[np.int32],
    reach: NDArray[np.float64],
    out_points: NDArray[np.float64],
) -> bool:
    """Walk back from the receiver over the facets to the source, images[0]."""
    p, own = receiver, NOTHING
    for leg in range(order, 0, -1):
        d = unit(sub(row(images, leg), p))
        k, t = nearest(tree, p, d, own, stack, reach)
        if k == NOTHING or tree.facet[k] != chosen[leg - 1] or dot(d, row(tree.normal, k)) >= 0.0:
            return False
        p, own = along(p, t, d), tree.facet[k]
        out_points[leg - 1, 0], out_points[leg - 1, 1], out_points[leg - 1, 2] = p.x, p.y, p.z
    to_source = sub(row(images, 0), p)
    length = sqrt(dot(to_source, to_source))
    k, t = nearest(tree, p, unit(to_source), own, stack, reach)
    return k == NOTHING or t >= length - GRAZE_M


@allocating
def find_paths(
    tree: Tree,
    planes: Planes,
    source: NDArray[np.float64],
    receivers: NDArray[np.float64],
    highest: int,
    longest: float,
    out_receiver: NDArray[np.int64],
    out_facets: NDArray[np.int64],
    out_points: NDArray[np.float64],
    out_length: NDArray[np.float64],
) -> int:
    """All specular paths of one source up to order `highest` and length `longest` (m).

    Returns the number of paths, which may exceed the room in the outputs: call again with more.

    Parameters
    ----------
    source : (1, 3), receivers : (r, 3) m
    out_receiver, out_length : (paths,); out_facets : (paths, max(highest, 1)), -1 filled
    out_points : (paths, max(highest, 1), 3) m, in order from the source
    """
    facets = len(planes.level)
    chosen = np.full(highest + 1, -1, np.int64)
    images = np.empty((highest + 1, 3), np.float64)
    set_row(images, 0, row(source, 0))
    points = np.empty((max(highest, 1), 3), np.float64)
    stack, reach = np.empty(STACK, np.int32), np.empty(STACK, np.float64)
    found, order = 0, 0
    while order >= 0:
        if chosen[order] == -1:  # first time at this image: try every receiver
            image = row(images, order)
            for r in range(len(receivers)):
                receiver = row(receivers, r)
                way = sub(image, receiver)
                length = sqrt(dot(way, way))
                if length > longest:
                    continue
                if order > 0 and not may_meet(planes, chosen[order - 1], receiver, image):
                    continue
                if path_holds(tree, chosen, images, order, receiver, stack, reach, points):
                    if found < len(out_length):
                        out_receiver[found], out_length[found] = r, length
                        for leg in range(order):
                            out_facets[found, leg] = chosen[leg]
                            set_row(out_points[found], leg, row(points, leg))
                    found += 1
        chosen[order] += 1
        f = chosen[order]
        if order == highest or f == facets:
            chosen[order] = -1
            order -= 1
            continue
        if order > 0 and f == chosen[order - 1]:
            continue
        n = row(planes.normal, f)
        image = row(images, order)
        if dot(image, n) - planes.level[f] <= GRAZE_M:
            continue
        mirrored = mirror_point(image, n, planes.level[f])
        order += 1
        images[order, 0], images[order, 1], images[order, 2] = mirrored.x, mirrored.y, mirrored.z
        chosen[order] = -1
    return found
