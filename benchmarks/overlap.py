"""Third-octave levels by waves and by rays in the octave where both are computed, JSON line.

    python benchmarks/overlap.py

Invented boxes with the same absorption everywhere and in all bands, one source, ten seats at
least 0.7 m off the walls and 1.2 m from the source.
"""

from __future__ import annotations

import json

import numpy as np

import raysim
from tests.rooms import shoebox

SIZE, SOURCE, SEATS, OFF_WALLS_M, APART_M = (4.6, 3.5, 2.5), (0.9, 0.8, 1.1), 10, 0.7, 1.2
ABSORPTION, SCATTERING = 0.2, 0.3
THIRDS_HZ = (158.5, 199.5, 251.2)  # exact midbands of 160, 200 and 250 Hz
TO_HZ = 285.0


def seats() -> list[list[float]]:
    """Random places in the room, the same each time."""
    generator, chosen = np.random.default_rng(5), []
    across = np.array([SIZE[1], SIZE[0], SIZE[2]])
    while len(chosen) < SEATS:
        place = generator.uniform(OFF_WALLS_M, across - OFF_WALLS_M)
        if np.linalg.norm(place - SOURCE) > APART_M:
            chosen.append(place.tolist())
    return chosen


def main() -> None:
    """Print the spread of the differences, waves less rays."""
    scene = shoebox(SIZE, ABSORPTION, SCATTERING, sources=(SOURCE,), receivers=seats())
    settings = raysim.Settings(rays=30_000, bass=True, bass_to_hz=TO_HZ)
    result = raysim.run(scene, settings)
    energy = result.energy_batches.mean(axis=0)[0, 0].sum(axis=-1)  # receivers, bands
    by_rays = 10 * np.log10(energy[:, scene.bands_hz.index(250.0)])
    frequency = result.bass.frequency_hz
    rows, heads = [], []
    for middle in THIRDS_HZ:
        own = (frequency > middle * 10**-0.05) & (frequency < middle * 10**0.05)
        square = np.abs(result.bass.zone[0, 0][..., own]) ** 2  # receivers, points, frequencies
        rows.append(10 * np.log10(square[:, 0].mean(axis=-1)) - by_rays)
        heads.append(10 * np.log10(square.mean(axis=(1, 2))) - by_rays)
    off, over_head = np.array(rows), np.array(heads)
    print(
        json.dumps(
            {
                "thirds_hz": THIRDS_HZ,
                "mean_db": np.round(off.mean(axis=1), 2).tolist(),
                "rms_db": round(float(np.sqrt((off**2).mean())), 2),
                "rms_of_head_zone_db": round(float(np.sqrt((over_head**2).mean())), 2),
                "rms_of_means_db": round(float(np.sqrt((off.mean(axis=1) ** 2).mean())), 2),
                "spread_between_seats_db": np.round(off.std(axis=1, ddof=1), 2).tolist(),
            }
        )
    )


if __name__ == "__main__":
    main()
