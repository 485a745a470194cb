"""The table of materials: absorption and scattering of common surfaces, with ranges and sources."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TABLE_BANDS_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
LOW_BANDS_HZ = 125.0
COMPUTED = "computed from layers: "


@dataclass(frozen=True)
class Entry:
    """A row of the table; arrays are (8,) at the octaves 63 Hz to 8 kHz.

    Attributes
    ----------
    absorption, low, high : (8,) float
        Random-incidence absorption coefficient and the range within which it is believed to lie.
    scattering : (8,) float
    scattering_basis : str
        Kind of surface the scattering is taken from, and how far that is known.
    extrapolated_hz : tuple of float
        Bands that no source gives: 63 Hz is 125 Hz (halved for porous things), 8 kHz is 4 kHz.
    source : str
        Where the absorption comes from.
    status : str
        'seen' in the source, 'from memory', 'judgement', or 'computed' from layers that the source
        names.
    mounting : str
        How it was fixed, or is taken to have been.
    edge : str
        What the edges of a sample have to do with the values.
    """

    name: str
    description: str
    category: str
    absorption: Array
    low: Array
    high: Array
    scattering: Array
    scattering_basis: str
    extrapolated_hz: tuple[float, ...]
    source: str
    status: str
    mounting: str
    edge: str
    note: str

    @property
    def cited(self) -> str:
        """Source with its status, said once."""
        return self.source if self.status in self.source else f"{self.source} ({self.status})"

    @property
    def layers(self) -> tuple[str, ...]:
        """Layers of a computed row, as texts; empty for others."""
        if self.status != "computed":
            return ()
        return tuple(self.source.removeprefix(COMPUTED).split(", "))

    def at(self, values: Array, bands_hz: Sequence[float]) -> Array:
        """Values of one of this row's arrays at some of its bands."""
        return values[[TABLE_BANDS_HZ.index(band) for band in bands_hz]]


@cache
def load_table() -> dict[str, Entry]:
    """All materials by name, in the order of the table."""
    text = files("raysim.surfaces").joinpath("table.csv").read_text(encoding="utf-8")
    return {row["name"]: _entry(row) for row in csv.DictReader(text.splitlines())}


def closest(name: str, more: Iterable[str] = ()) -> str | None:
    """The material's name that is most like `name`, of the table and `more`; None if none is."""
    names = {known.lower(): known for known in (*more, *load_table())}
    found = get_close_matches(name.lower(), names, n=1, cutoff=0.6)
    if not found:
        words = name.lower().split()
        found = [known for known in names if words and all(word in known for word in words)][:1]
    return names[found[0]] if found else None


def usual_range(absorption: Array, bands_hz: Sequence[float]) -> tuple[Array, Array]:
    """Range of a coefficient of which nothing but its value is known.

    A factor of 2 at 125 Hz and below, where published values of one construction differ by up to
    3; elsewhere the larger of 0.05 and 20 % (common practice, after the reproducibility of
    ISO 354). Held within 0 to 1.
    """
    low_band = np.asarray(bands_hz) <= LOW_BANDS_HZ
    spread = np.maximum(0.05, 0.2 * absorption)
    low = np.where(low_band, absorption / 2, absorption - spread)
    high = np.where(low_band, absorption * 2, absorption + spread)
    return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)


def _entry(row: dict[str, str]) -> Entry:
    def values(quantity: str) -> Array:
        return np.array([float(row[f"{quantity}_{band:g}"]) for band in TABLE_BANDS_HZ])

    return Entry(
        name=row["name"],
        description=row["description"],
        category=row["category"],
        absorption=values("absorption"),
        low=values("low"),
        high=values("high"),
        scattering=values("scattering"),
        scattering_basis=row["scattering_basis"],
        extrapolated_hz=tuple(float(f) for f in row["extrapolated_hz"].split()),
        source=row["source"],
        status=row["status"],
        mounting=row["mounting"],
        edge=row["edge"],
        note=row["note"],
    )
