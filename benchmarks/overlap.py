"""Third-octave levels by waves and by images and rays in the octave where both are computed.

    python benchmarks/overlap.py

An invented box with the same absorption everywhere and in all bands, one source, ten seats at
least 0.7 m off the walls and 1.2 m from the source. One JSON line each for what is held against
the waves: energies of the rays alone, and the geometrical part of the response at the seat, with
image sources that add as pressures up to an order. Waves know no scattering, so that of the
surfaces is taken as little as well. `expected` is what interference of the energy without phase
makes at single seats, at most.
"""

from __future__ import annotations

import dataclasses
import json

import numpy as np
from numpy.typing import NDArray

import raysim
from raysim.quantities import joined_response
from raysim.quantities.bass_levels import band_squares, level_db
from raysim.quantities.overlap import interference_spread_db
from raysim.results.data import Bass
from tests.rooms import shoebox

SIZE, SOURCE, SEATS, OFF_WALLS_M, APART_M = (4.6, 3.5, 2.5), (0.9, 0.8, 1.1), 10, 0.7, 1.2
ABSORPTION, SCATTERINGS, ORDERS = 0.2, (0.3, 0.05), (3, 6, 9)
THIRDS_HZ = (160.0, 200.0, 250.0)
TO_HZ, RAYS = 285.0, 16_000


def seats() -> list[list[float]]:
    """Random places in the room, the same each time."""
    generator, chosen = np.random.default_rng(5), []
    across = np.array([SIZE[1], SIZE[0], SIZE[2]])
    while len(chosen) < SEATS:
        place = generator.uniform(OFF_WALLS_M, across - OFF_WALLS_M)
        if np.linalg.norm(place - SOURCE) > APART_M:
            chosen.append(place.tolist())
    return chosen


def line(off: NDArray[np.float64], **more: object) -> str:
    """Figures of differences (receivers, thirds), waves less others."""
    return json.dumps(
        {
            **more,
            "rms_db": round(float(np.sqrt((off**2).mean())), 2),
            "rms_by_third_db": np.round(np.sqrt((off**2).mean(axis=0)), 2).tolist(),
            "mean_db": np.round(off.mean(axis=0), 2).tolist(),
            "spread_between_seats_db": np.round(off.std(axis=0, ddof=1), 2).tolist(),
        }
    )


def main() -> None:
    """Print the differences, waves less the others."""
    bass: Bass | None = None
    for scattering in SCATTERINGS:
        scene = shoebox(SIZE, ABSORPTION, scattering, sources=(SOURCE,), receivers=seats())
        band = scene.bands_hz.index(250.0)
        for order in ORDERS:
            settings = raysim.Settings(
                rays=RAYS, image_order=order, bass=bass is None, bass_to_hz=TO_HZ
            )
            result = raysim.run(scene, settings)
            bass = bass or result.bass
            assert bass is not None
            result = dataclasses.replace(result, bass=bass)
            f, by_waves = bass.frequency_hz, np.abs(bass.response[0, 0]) ** 2
            waves = level_db(band_squares(f, by_waves, THIRDS_HZ))
            energy = result.energy_batches.mean(axis=0)[0, 0].sum(axis=-1)[:, band]
            told = {"thirds_hz": THIRDS_HZ, "scattering": scattering}
            joined = joined_response(result)
            assert joined is not None
            late = joined.rest[0, 0][:, band]
            if order == ORDERS[0]:
                alone = dataclasses.replace(joined, images=0 * joined.images)
                expected = round(interference_spread_db(result, alone, THIRDS_HZ), 2)
                off = waves - level_db(energy)[:, None]
                print(line(off, against="rays", expected=expected, **told), flush=True)
            square = np.abs(joined.images[0, 0][:, : len(f)]) ** 2 + late[:, None]
            off = waves - level_db(band_squares(f, square, THIRDS_HZ))
            told |= {"share_without_phase": round(float((late / energy).mean()), 2)}
            expected = round(interference_spread_db(result, joined, THIRDS_HZ), 2)
            print(line(off, against=f"images to {order}", expected=expected, **told), flush=True)


if __name__ == "__main__":
    main()
