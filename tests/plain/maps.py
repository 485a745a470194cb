"""One ray after the other, each arrival over every patch of its path: what `kernels.maps` does.

As in `tests.plain.walk`, sound that was only mirrored is left out.
"""

from __future__ import annotations

import numpy as np

from raysim.kernels.maps import Mapped, Wanted
from raysim.kernels.ray import Room
from raysim.kernels.uniform import uniform
from tests.plain.walk import first_triangle, heard, material_of, turned


def patch_of(patches, facet, p) -> int:
    """Index of the patch of a facet at point p."""
    origin, right, up = patches.frame[facet]
    column, line = (
        int(((p - origin) @ axis) // side)
        for axis, side in zip((right, up), patches.side[facet], strict=True)
    )
    column = min(max(column, 0), patches.columns[facet] - 1)
    line = min(max(line, 0), patches.rows[facet] - 1)
    return int(patches.first[facet] + line * patches.columns[facet] + column)


def window_at(wanted: Wanted, time_s: float) -> int:
    """Index of the time window of a delay."""
    return int((time_s >= wanted.ends).sum())


def follow_and_map(room: Room, wanted: Wanted, source, o, d, hero, stream, out: Mapped) -> None:
    """Add what one ray brings to what is mapped, of the room's one variant."""
    boundary, plan, of_band = room.boundary, room.plan, room.boundary.band_class
    classes, speed = boundary.scattering.shape[1], plan.speed
    start, o, d, own = o, np.array(o, float), np.array(d), -1
    energy, chance = np.ones(len(of_band)), np.ones(classes)
    before, since, spread, way = 0.0, 0.0, False, []
    emitted, absorbed, air, left, _, by_chance = out.books
    emitted += energy
    while True:
        held = energy * chance[of_band] * np.exp(-plan.attenuation * (before + since))
        k, t = first_triangle(room.tree, o, d, own)
        for r, length, weight in heard(room, o, d, t, before, since) if spread else ():
            late = max(0.0, length - wanted.offset[source, r]) / speed
            if int(late / plan.bin_s) < wanted.weight.shape[3]:
                brought = weight * energy * chance[of_band] * np.exp(-plan.attenuation * length)
                out.arriving[r, window_at(wanted, late), way[-1][0]] += brought
                for patch, reflected in way:
                    given = np.where(reflected > 0, reflected, 1)
                    change = wanted.weight[source, :, r, int(late / plan.bin_s)] * brought
                    out.slope[:, r, patch] -= np.where(reflected > 0, change, 0) / given
        since += t
        air += held * -np.expm1(-plan.attenuation * t)
        held = held * np.exp(-plan.attenuation * t)
        if before + since > plan.longest:
            left += held
            return
        o, own, n = o + t * d, room.tree.facet[k], room.tree.normal[k]
        patch, late = patch_of(wanted.patches, own, o), before + since - np.linalg.norm(o - start)
        out.incident[window_at(wanted, late / speed), patch] += held
        u = [uniform(stream, 2 + 4 * len(way) + j) for j in range(4)]
        here = material_of(room, k, o, 0)
        diffuse, s = u[0] < boundary.scattering[here, hero], boundary.scattering[here]
        reflected = boundary.reflectance[here]
        way.append((patch, reflected))
        absorbed += held * (1 - reflected)
        held, energy = held * reflected, energy * reflected
        chance = chance * (s if diffuse else 1 - s)
        chance /= chance.mean()
        if diffuse:
            d, before, since, spread = turned(n, u[1], u[2]), before + since, 0.0, True
        else:
            d = d - 2 * (d @ n) * n
        loudest = (energy * chance[of_band]).max()
        if loudest < plan.faint and u[3] * plan.faint >= loudest:
            by_chance += held
            return
        energy = energy * max(1.0, plan.faint / loudest)
        clear = np.exp(-plan.attenuation * (before + since))
        by_chance += held - energy * chance[of_band] * clear
