"""Slope of the late decay of a result, pooled over receivers."""

from __future__ import annotations

import numpy as np

from raysim.estimate import jackknife


def late_decay(result, start_m, width_m, gap_m, band=0):
    """Decay constant delta / c in 1/m and its standard error, without air.

    From the energies of two windows of equal width, `gap_m` apart, path lengths counted beyond
    each straight line: delta = ln(E1 / E2) / gap. Of a pure exponential that is exact. Air takes
    exp(-m r) of every path, so its m is taken off exactly.
    """
    step = result.bin_s * result.scene.climate.speed_of_sound
    first, width, gap = (round(x / step) for x in (start_m, width_m, gap_m))
    pooled = result.energy_batches[:, 0, :, :, band].sum(axis=(1, 2))

    def slope(energy):
        one = energy[first : first + width].sum()
        other = energy[first + gap : first + gap + width].sum()
        return np.log(one / other) / (gap * step)

    value, error = jackknife(slope, pooled)
    return float(value) - air(result.scene, band), float(error)


def air(scene, band):
    """Attenuation m in 1/m of a band, at its exact midband."""
    exact = 1000 * 10 ** (0.3 * round(np.log10(scene.bands_hz[band] / 1000) / 0.3))
    return float(scene.climate.attenuation([exact])[0])


def spread_points(count, size, margin=0.4):
    """(count, 3) points over a box in an even lattice (Korobov, generator of plastic number)."""
    root = 1.2207440846057596
    fractions = (0.5 + np.arange(1, count + 1)[:, None] / root ** np.arange(1, 4)) % 1
    low = np.minimum(margin, 0.45 * np.asarray(size))
    return low + fractions * (np.asarray(size) - 2 * low)
