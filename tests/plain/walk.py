"""One ray after the other, every triangle tested: what `kernels.walk.trace` does, in plain words.

Sound that was only mirrored is left out, as if it all belonged to the images.
"""

from __future__ import annotations

import numpy as np

from raysim.kernels.ray import Room
from raysim.kernels.uniform import branch, uniform
from raysim.kernels.vec import Vec


def first_triangle(tree, o, d, own):
    """Moeller and Trumbore (1997), facet `own` left out: triangle and distance."""
    a, b, c = tree.corners.reshape(-1, 3, 3).transpose(1, 0, 2)
    p = np.cross(d, c - a)
    with np.errstate(divide="ignore", invalid="ignore"):
        det = ((b - a) * p).sum(axis=1)
        u = ((o - a) * p).sum(axis=1) / det
        q = np.cross(o - a, b - a)
        v = (q * d).sum(axis=1) / det
        t = ((c - a) * q).sum(axis=1) / det
    out = (u < 0) | (v < 0) | (u + v > 1) | ~(t > -1e-9) | (tree.facet == own)
    t[out] = np.inf
    return int(t.argmin()), float(t.min())


def heard(room: Room, o, d, t, before, since):
    """(receiver, length, weight) of a piece of a spread ray."""
    for r, centre in enumerate(room.receivers.position):
        foot = float((centre - o) @ d)
        miss2 = float((centre - o) @ (centre - o)) - foot**2
        length = before + np.sqrt((since + foot) ** 2 + miss2)
        radius = min(room.receivers.largest[r], room.receivers.growth * length)
        radius = max(room.receivers.radius[r], radius)
        if 0 < foot < t and miss2 < radius**2:
            volume, chord = 4 / 3 * np.pi * radius**3, 2 * np.sqrt(radius**2 - miss2)
            yield r, length, 100 * 4 * np.pi * chord / volume


def turned(n, u1, u2):
    """Lambert's law: the normal plus a point of the unit sphere."""
    z = 1 - 2 * u1
    ring = np.sqrt(1 - z * z)
    w = n + np.array([ring * np.cos(2 * np.pi * u2), ring * np.sin(2 * np.pi * u2), z])
    return w / np.linalg.norm(w)


def material_of(room: Room, k, p, variant):
    """First row of the material at point p of triangle k in a variant."""
    facet = room.tree.facet[k]
    own = room.boundary.material[facet]
    origin, right, up = room.cover.frame[facet]
    u, v = (p - origin) @ right, (p - origin) @ up
    for i in range(room.cover.first[facet], room.cover.first[facet + 1]):
        low_u, low_v, high_u, high_v = room.cover.rect[i]
        if low_u <= u < high_u and low_v <= v < high_v and room.cover.present[i, variant]:
            own = room.cover.material[i]
    return own


def follow(room: Room, offset, o, d: Vec, hero, stream, out) -> int:
    """Add what one ray brings to out : (receivers, time, variants, bands); its reflections."""
    boundary, plan = room.boundary, room.plan
    variants, classes = room.cover.present.shape[1], boundary.scattering.shape[1]
    o, d, own = np.array(o, float), np.array(d), -1
    energy = np.ones((variants, len(plan.attenuation)))
    chance = np.ones((variants, classes))
    before, since, order, spread = 0.0, 0.0, 0, False
    while True:
        k, t = first_triangle(room.tree, o, d, own)
        weighed = energy * chance[:, boundary.band_class]
        if spread:
            for r, length, weight in heard(room, o, d, t, before, since):
                bin_ = int(max(0.0, length - offset[r]) / (plan.speed * plan.bin_s))
                if bin_ < out.shape[1]:
                    out[r, bin_] += weight * weighed * np.exp(-plan.attenuation * length)
        since += t
        if before + since > plan.longest:
            return order
        o, own, n = o + t * d, room.tree.facet[k], room.tree.normal[k]
        u = [uniform(stream, 2 + 4 * order + j) for j in range(4)]
        here = [material_of(room, k, o, v) for v in range(variants)]
        diffuse = u[0] < boundary.scattering[here[hero // classes], hero % classes]
        s = boundary.scattering[here]
        chance *= s if diffuse else 1 - s
        chance /= chance.mean()
        energy *= boundary.reflectance[here]
        order += 1
        if diffuse:
            d, before, since, spread = turned(n, u[1], u[2]), before + since, 0.0, True
        else:
            d = d - 2 * (d @ n) * n
        loudest = (energy * chance[:, boundary.band_class]).max()
        if loudest < plan.faint:
            if u[3] * plan.faint >= loudest:
                return order
            energy *= plan.faint / loudest


def streams(seed, source, batch, round_number, number):
    """Portion of a batch, and of each of its rays the stream."""
    portion = np.uint64(seed)
    for index in (source, batch, round_number):
        portion = np.uint64(branch(portion, index))
    return portion, [np.uint64(branch(portion, i)) for i in range(number)]
