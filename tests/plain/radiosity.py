"""Diffusely reflecting rooms by the integral equation with delays (Kuttruff; Miles 1984).

Every surface re-radiates what it does not absorb by Lambert's law. With B(x, t) the power
leaving the surface per area,

    B(x, t) = rho(x) * integral B(y, t - r/c) cos cos' / (pi r^2) dy + direct part,

so a decay B ~ exp(-delta t) needs the kernel rho(x) exp(delta r/c) cos cos' / (pi r^2) to have
the largest eigenvalue 1. Walls are cut into equal cells with exact view factors.

Walls of a box [0, Lx] x [0, Ly] x [0, Lz] come in the order x=0, x=Lx, y=0, y=Ly, z=0, z=Lz.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

ENERGY_OF_60_DB = 6 * np.log(10)


def face_points(size, face, nodes, weights):
    """Points (n^2, 3), inward normal (3,) and areas (n^2,) on a face, from points on [0, 1]."""
    axis, high = divmod(face, 2)
    across = [other for other in range(3) if other != axis]
    u, v = np.meshgrid(nodes, nodes, indexing="ij")
    points = np.zeros((u.size, 3))
    points[:, axis] = high * size[axis]
    points[:, across[0]] = u.ravel() * size[across[0]]
    points[:, across[1]] = v.ravel() * size[across[1]]
    normal = np.zeros(3)
    normal[axis] = 1 - 2 * high
    area = size[across[0]] * size[across[1]]
    return points, normal, np.outer(weights, weights).ravel() * area


def box_points(size, nodes, weights):
    """Points (6 n^2, 3), normals (6 n^2, 3), areas (6 n^2,), wall (6 n^2,)."""
    faces = [face_points(size, face, nodes, weights) for face in range(6)]
    count = len(nodes) ** 2
    return (
        np.concatenate([points for points, _, _ in faces]),
        np.repeat([normal for _, normal, _ in faces], count, axis=0),
        np.concatenate([areas for _, _, areas in faces]),
        np.repeat(np.arange(6), count),
    )


def midpoints(count):
    """Middles and sizes of equal cells of [0, 1]."""
    return (np.arange(count) + 0.5) / count, np.full(count, 1 / count)


def view_factors(point, normal, polygons):
    """Part (n,) of what leaves a point by Lambert's law that meets each polygon (n, c, 3).

    Lambert's contour sum: 1/(2 pi) sum of angle_i cos(gamma_i), angle_i that under which edge i
    is seen, gamma_i that between the normal and the plane through point and edge.
    """
    directions = polygons - point
    directions /= np.linalg.norm(directions, axis=2, keepdims=True)
    following = np.roll(directions, -1, axis=1)
    across = np.cross(directions, following)
    sine = np.linalg.norm(across, axis=2)
    angle = np.arctan2(sine, np.einsum("nci,nci->nc", directions, following))
    cosine = across @ normal / np.where(sine > 0, sine, 1.0)
    return np.abs((angle * cosine).sum(axis=1)) / (2 * np.pi)


def box_kernel(size, count):
    """Cells of the walls, count^2 each: distances (k, k), view factors (k, k), wall (k,).

    Element (i, j) is the mean over cell i (2 x 2 Gauss points) of its exact view of cell j,
    scaled so that area_i F_ij = area_j F_ji and every cell sees the whole room.
    """
    cell = np.asarray(size, dtype=float) / count
    centres, normals, areas, wall = box_points(size, *midpoints(count))
    distance = np.linalg.norm(centres[None] - centres[:, None], axis=2)
    signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    across = np.array([[axis for axis in range(3) if normal[axis] == 0] for normal in normals])
    offsets = np.zeros((len(wall), 4, 3))
    for place in range(2):
        axes = across[:, place]
        for corner, sign in enumerate(signs[:, place]):
            offsets[np.arange(len(wall)), corner, axes] = sign * cell[axes] / 2
    exchange = np.zeros((len(wall), len(wall)))
    for own, elsewhere in enumerate(wall[:, None] != wall[None, :]):
        polygons = (centres[:, None] + offsets)[elsewhere]
        for offset in offsets[own] / np.sqrt(3):
            seen = view_factors(centres[own] + offset, normals[own], polygons)
            exchange[own, elsewhere] += areas[own] * seen / 4
    exchange = (exchange + exchange.T) / 2
    scale = np.ones(len(wall))
    for _ in range(100):
        scale = np.sqrt(scale * areas / (exchange @ scale))
    return distance, scale[:, None] * exchange * scale / areas[:, None], wall


def box_decay(size, absorption, counts=(4, 6, 8)):
    """Decay constant delta / c in 1/m, energy ~ exp(-delta t), without air.

    Extrapolated from three numbers of cells along a wall with an error of h^2 and h^2 log h, h
    the size of a cell: along an edge of the room the kernel grows as 1/r. Within 0.08 % of the
    same numbers from finer cells.
    """
    coarse = [_decay(absorption, size, *box_kernel(size, count)) for count in counts]
    h = 1 / np.asarray(counts, dtype=float)
    return np.linalg.solve(np.stack([h**0, h**2, h**2 * np.log(h)], axis=1), coarse)[0]


def _decay(absorption, size, distance, share, wall):
    kernel = (1 - np.asarray(absorption, dtype=float))[wall][:, None] * share
    state = np.ones(len(wall))

    def excess(decay):
        nonlocal state
        matrix = kernel * np.exp(decay * distance)
        growth = 0.0
        for _ in range(200):
            new = matrix @ state
            grown = new.sum() / state.sum()
            state = new / new.max()
            if abs(grown - growth) < 1e-12:
                break
            growth = grown
        return np.log(growth)

    volume, (x, y, z) = np.prod(size), size
    surface = 2 * (x * y + y * z + z * x)
    guess = np.mean(absorption) * surface / (4 * volume)
    return brentq(excess, 0.3 * guess, 3.5 * guess, xtol=1e-9)


def sphere_decay(radius, absorption):
    """Decay constant delta / c of a Lambert sphere (Carroll and Chien 1977; Joyce 1978).

    From the chord law p(l) = l/(2 R^2): 1/(1-a) = 2 (e^x (x-1) + 1)/x^2, x = 2 R delta/c.
    """

    def excess(x):
        return 2 * (np.exp(x) * (x - 1) + 1) / x**2 - 1 / (1 - absorption)

    return brentq(excess, 1e-3, 20.0, xtol=1e-12) / (2 * radius)


def box_histogram(size, absorption, source, receiver, edges_m, *, points=8, fine=24, step_m=0.05):
    """Energy (bins,) re the free field at 10 m at a point, all walls Lambert, no air.

    Bins are path lengths beyond the straight line. A patch is one of points^2 equal cells of a
    wall. What it gets from the source and gives to the receiver is summed over `fine`^2 cells of
    a wall; between patches the centre speaks for the cell.

    Direct: 100/r^2. First reflection: exact but for the cells. The rest: convolution of arrival
    at the patches, exchange among them and departure to the receiver, in steps of `step_m`.
    """
    absorption = np.asarray(absorption, dtype=float)
    straight = np.linalg.norm(np.subtract(receiver, source))
    steps = int(np.ceil((edges_m[-1] + straight) / step_m)) + 2
    patch_of = _patch_of_cells(points, fine)
    cells, normals, areas, wall = box_points(size, *midpoints(fine))
    rho = (1 - absorption)[wall]
    to_source, from_source = _irradiance(cells, normals, source)
    to_receiver, seen = _irradiance(cells, normals, receiver)
    arriving = rho * from_source * areas / (4 * np.pi)
    leaving = 400.0 * seen

    once = np.histogram(to_source + to_receiver - straight, edges_m, weights=arriving * leaving)[0]
    count = 6 * points**2
    power = _spread(patch_of, to_source / step_m, arriving, count, steps)
    share_of_cell = areas / np.bincount(patch_of, areas)[patch_of]
    departure = _spread(patch_of, to_receiver / step_m, share_of_cell * leaving, count, steps)
    radiated = _exchange(size, absorption, points, step_m, power)
    echo = np.zeros(2 * steps)
    for patch in range(count):
        echo += _convolve(radiated[patch], departure[patch])
    ends = (np.arange(2 * steps) + 0.5) * step_m - straight
    rest = np.diff(np.interp(edges_m, ends, np.cumsum(echo), left=0.0))
    direct = np.histogram([0.0], edges_m, weights=[100.0 / straight**2])[0]
    return direct + once + rest


def _patch_of_cells(points, fine):
    """Patch of each cell, when `fine` is a multiple of `points`."""
    assert fine % points == 0
    coarse = np.arange(fine) // (fine // points)
    on_face = (coarse[:, None] * points + coarse[None, :]).ravel()
    return np.concatenate([face * points**2 + on_face for face in range(6)])


def _irradiance(cells, normals, place):
    """Distance (k,) and cos/r^2 (k,) from `place` to cells."""
    towards = np.asarray(place) - cells
    distance = np.linalg.norm(towards, axis=1)
    return distance, np.einsum("ij,ij->i", towards, normals) / distance**3


def _spread(patch, delay_steps, amount, patches, steps):
    """Amounts in a (patches, steps) table, each shared by the two nearest steps."""
    table = np.zeros((patches, steps))
    whole = np.floor(delay_steps).astype(int)
    part = delay_steps - whole
    for offset, share in ((0, 1 - part), (1, part)):
        at = whole + offset
        within = at < steps
        np.add.at(table, (patch[within], at[within]), (amount * share)[within])
    return table


def _exchange(size, absorption, points, step_m, power):
    """Radiated power (patch, step) after one or more exchanges between patches."""
    distance, share, wall = box_kernel(size, points)
    # share[i, j]: of what i receives; patches of a wall have equal areas, so by reciprocity
    # the part of j's power that reaches i is share[i, j] area_i / area_j.
    areas = box_points(size, *midpoints(points))[2]
    transfer = share * areas[:, None] / areas[None, :]
    transfer = (1 - absorption)[wall][:, None] * transfer / transfer.sum(axis=0)
    delay = distance / step_m
    whole = np.floor(delay).astype(int)
    part = delay - whole
    column = np.broadcast_to(np.arange(len(wall)), whole.shape)
    radiated = np.zeros_like(power)
    total = np.zeros_like(power)
    longest = whole.max() + 2
    padded = np.zeros((len(wall), power.shape[1] + longest))
    for step in range(power.shape[1]):
        at = step + longest - whole
        earlier = (1 - part) * padded[column, at] + part * padded[column, at - 1]
        radiated[:, step] = (transfer * earlier).sum(axis=1)
        total[:, step] = radiated[:, step] + power[:, step]
        padded[:, step + longest] = total[:, step]
    return radiated


def _convolve(first, second):
    length = len(first) + len(second)
    return np.fft.irfft(np.fft.rfft(first, length) * np.fft.rfft(second, length), length)
