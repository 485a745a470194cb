"""What the error of a tape measure does to the delay of a reflection.

A reflected path is stationary: where it meets a plane it may be moved along it without a change
of its length to first order (Fermat). So its length changes only with its ends, by the cosine
between the shift and the leg there, and with the planes, by the change of direction across each
along its normal: 2 cos(angle of incidence) a bounce. The direct sound's length changes with the
ends alone, and the delay is the difference of the two.

Every measured length, that is each coordinate of the ends and the place of each plane, is taken
to be off by the same tolerance, independently; errors are added as squares. First order: for
tolerances small beside the path.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

SAME_PLANE_M = 1e-6


def delay_sensitivity(
    source: ArrayLike,
    receiver: ArrayLike,
    points: ArrayLike,
    normals: ArrayLike,
    is_measured: ArrayLike,
) -> float:
    """Error of a path's length less the direct sound's, over the tolerance of the tape.

    Parameters
    ----------
    source, receiver : (3,) float
    points, normals : (order, 3) float
        Where the path meets planes, in order from the source, and their unit normals.
    is_measured : (order,) bool
        False for planes from which the others are measured: they can't be off.

    Returns
    -------
    float
        Metres a metre; 0 for the direct sound.
    """
    points, normals = np.reshape(points, (-1, 3)), np.reshape(normals, (-1, 3))
    ends = np.vstack([source, points, receiver]).astype(np.float64)
    ahead = [(ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])]
    for normal in normals:  # not from the points: in an edge of two planes two of them are one
        ahead.append(ahead[-1] - 2 * (ahead[-1] @ normal) * normal)
    straight = ends[-1] - ends[0]
    direct = straight / np.linalg.norm(straight)
    moved = [direct - ahead[0], ahead[-1] - direct]
    of_planes: dict[tuple[float, ...], float] = {}
    for number, measured in enumerate(np.ravel(is_measured)):
        if not measured:
            continue
        normal = _upward(normals[number])
        numbers = np.array([*normal, points[number] @ normal])
        plane = tuple(np.round(numbers / SAME_PLANE_M).tolist())
        change = float((ahead[number] - ahead[number + 1]) @ normal)
        of_planes[plane] = of_planes.get(plane, 0.0) + change
    return float(np.sqrt(np.square(moved).sum() + sum(c**2 for c in of_planes.values())))


def volume_sensitivity_m2(corners: ArrayLike) -> float:
    """Error of a room's volume over the tolerance of the tape.

    Length, width and height are taken to be off on their own; each moves as much air as the room
    casts shadow along it. Exact for a box; an outline of several lengths is a little surer.

    Parameters
    ----------
    corners : (n, 3, 3) float
        Of the triangles that bound the room.
    """
    corners = np.asarray(corners, dtype=np.float64)
    areas = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
    return float(np.linalg.norm(np.abs(areas).sum(axis=0) / 2))


def _upward(normal: Array) -> Array:
    """One of the two normals of a plane, the same for both of its sides."""
    first = normal[np.argmax(np.abs(normal) > SAME_PLANE_M)]
    return np.asarray(normal * np.sign(first))
