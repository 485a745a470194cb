"""Which material each surface has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from fnmatch import fnmatchcase

import numpy as np
from numpy.typing import NDArray

from raysim.air import Climate
from raysim.errors import SceneError
from raysim.scene.complaints import Complaints
from raysim.scene.data import Material
from raysim.scene.geometry import Geometry
from raysim.scene.layered import layered_material
from raysim.scene.lines import Path
from raysim.scene.schema import MaterialSection, SceneFile
from raysim.surfaces.chamber import HIGHEST_READING, Reduced, reduce_chamber_values
from raysim.surfaces.grammar import parse_layers
from raysim.surfaces.table import Entry, closest, load_table, usual_range

Array = NDArray[np.float64]

SCATTERING_UNLESS_GIVEN = "unknown object"


class Finishes:
    """Materials of one scene by name: those of the file, then those of the table.

    Parameters
    ----------
    file : SceneFile
    left_out : set of key paths
        Faulty sections, already complained of.
    file_bands, bands : tuple of float, Hz
        Bands that the file's lists are for; bands of the scene, among them or beyond.
    """

    def __init__(
        self,
        file: SceneFile,
        left_out: set[Path],
        file_bands: Sequence[float],
        bands: Sequence[float],
        complaints: Complaints,
    ) -> None:
        self.file_bands = tuple(file_bands)
        self.bands = tuple(bands)
        self.complaints = complaints
        self.climate = Climate(**file.climate.model_dump())
        self.notes: list[str] = []
        self.known: dict[str, Material] = {}
        self.broken = {path[1] for path in left_out if path[0] == "materials" and len(path) == 2}
        self.all_broken = ("materials",) in left_out
        for name, section in file.materials.items():
            made = self._given(name, section)
            if made is None:
                self.broken.add(name)
            else:
                self.known[name] = made

    def find(self, name: str, path: Path) -> Material | None:
        """Material of a name; complains at `path` where there is none."""
        if name not in self.known and name in load_table():
            self.known[name] = self._of_table(load_table()[name])
        if name in self.known:
            return self.known[name]
        if name not in self.broken and not self.all_broken:
            near = closest(name, [*self.known, *self.broken])
            cure = f", did you mean '{near}'?" if near else "; 'raysim materials list' shows them"
            self.complaints.add(path, f"unknown material '{name}'{cure}")
        return None

    def prior(self, name: str) -> Material:
        """A table row for what the file says nothing of."""
        return self.known.setdefault(name, self._of_table(load_table()[name]))

    def _of_table(self, entry: Entry) -> Material:
        guessed = [f"{f:g}" for f in entry.extrapolated_hz if f in self.bands]
        beyond = f"; {', '.join(guessed)} Hz extrapolated" if guessed else ""
        return Material(
            name=entry.name,
            absorption=entry.at(entry.absorption, self.bands),
            scattering=entry.at(entry.scattering, self.bands),
            absorption_low=entry.at(entry.low, self.bands),
            absorption_high=entry.at(entry.high, self.bands),
            source=f"{entry.cited}{beyond}; scattering: {entry.scattering_basis}",
            construction=parse_layers(entry.layers, entry.name) if entry.layers else None,
        )

    def _given(self, name: str, section: MaterialSection) -> Material | None:
        path: Path = ("materials", name)
        if section.layers is not None:
            return self._layered(name, section)
        base = self._base(path, section)
        if base is None and section.absorption is None:
            if section.base is None:
                self.complaints.add(
                    path, "it has none of 'from', 'absorption' and 'layers'; give one"
                )
            return None
        of_chamber = section.chamber is not None
        absorption = self._coefficients((*path, "absorption"), section.absorption, of_chamber)
        scattering = self._coefficients((*path, "scattering"), section.scattering)
        limits = self._limits(path, section)
        if of_chamber and section.absorption is None:
            self.complaints.add(
                (*path, "chamber"), "it says of 'absorption' how it was measured; give that too"
            )
        given = (section.absorption, absorption), (section.scattering, scattering)
        if any(written is not None and read is None for written, read in given):
            return None
        if base is not None:
            absorption = base.absorption if absorption is None else absorption
            scattering = base.scattering if scattering is None else scattering
        if absorption is None:
            return None
        source, readings = section.reference or "given in the scene", absorption
        construction = None
        if section.chamber is not None and section.absorption is not None:
            reduced = self._reduced(name, readings, section.chamber)
            absorption = reduced.absorption
            source += f"; {reduced.how}"
        if section.absorption is None and base is not None:
            source = base.source + (f"; {section.reference}" if section.reference else "")
            construction = base.construction
        if scattering is None:
            fallback = load_table()[SCATTERING_UNLESS_GIVEN]
            scattering = fallback.at(fallback.scattering, self.bands)
            source += f"; scattering not given, taken as {fallback.scattering_basis}"
        low, high = usual_range(absorption, self.bands)
        high = np.maximum(high, np.minimum(readings, 1.0))
        if base is not None and section.absorption is None:
            low, high = base.absorption_low, base.absorption_high
        if limits:
            low, high = limits
            if (low > absorption + 1e-12).any() or (high < absorption - 1e-12).any():
                self.complaints.add(
                    (*path, "range"),
                    "the absorption lies outside it; give [low, high] around the absorption",
                )
        return Material(name, absorption, scattering, low, high, source, construction)

    def _reduced(self, name: str, readings: Array, sample_m: tuple[float, float]) -> Reduced:
        """Chamber values brought down, with a note that gives both."""
        reduced = reduce_chamber_values(readings, self.bands, self.climate, sample_m)
        pairs = ", ".join(
            f"{band:g} Hz {read:.2f} to {value:.2f}"
            for band, read, value in zip(self.bands, readings, reduced.absorption, strict=True)
        )
        self.notes.append(f"material '{name}': {reduced.how}: {pairs}")
        return reduced

    def _layered(self, name: str, section: MaterialSection) -> Material | None:
        path: Path = ("materials", name)
        beside = {
            "from": section.base,
            "absorption": section.absorption,
            "chamber": section.chamber,
        }
        for key, written in beside.items():
            if written is not None:
                self.complaints.add((*path, key), "'layers' says it all; take one of the two out")
                return None
        scattering = self._coefficients((*path, "scattering"), section.scattering)
        limits = self._limits(path, section)
        if section.scattering is not None and scattering is None:
            return None
        try:
            material = layered_material(name, section, self.bands, self.climate, scattering, limits)
        except SceneError as error:
            self.complaints.adopt(error)
            return None
        return material

    def _base(self, path: Path, section: MaterialSection) -> Material | None:
        if section.base is None:
            return None
        if section.base in load_table():
            return self._of_table(load_table()[section.base])
        near = closest(section.base)
        cure = f", did you mean '{near}'?" if near else "; 'raysim materials list' shows them"
        self.complaints.add((*path, "from"), f"unknown material '{section.base}'{cure}")
        return None

    def _limits(self, path: Path, section: MaterialSection) -> tuple[Array, Array] | None:
        if section.range is None:
            return None
        low, high = (self._coefficients((*path, "range"), side) for side in section.range)
        return None if low is None or high is None else (low, high)

    def _coefficients(
        self, path: Path, values: Sequence[float] | None, of_chamber: bool = False
    ) -> Array | None:
        """One value for each band of the scene, or None after a complaint."""
        if values is None:
            return None
        if len(values) not in (1, len(self.file_bands)):
            first, last = self.file_bands[0], self.file_bands[-1]
            listed = ", ".join(f"{band:g}" for band in self.file_bands)
            self.complaints.add(
                path,
                f"{len(values)} values for {len(self.file_bands)} octave bands "
                f"({first:g} … {last:g} Hz); give one number, or one each for {listed} Hz",
            )
            return None
        fault = _outside(path[-1], values, self.file_bands, of_chamber)
        if fault:
            self.complaints.add(path, fault)
            return None
        if len(values) == 1:
            return np.full(len(self.bands), values[0])
        beyond = [f"{band:g}" for band in self.bands if band not in self.file_bands]
        if beyond:
            self.complaints.add(
                path,
                f"no value for {', '.join(beyond)} Hz, which are asked for; "
                "widen 'bands' in the file and give them, or ask for fewer bands",
            )
            return None
        return np.array([values[self.file_bands.index(band)] for band in self.bands])


def _outside(
    key: str, values: Sequence[float], bands: Sequence[float], of_chamber: bool
) -> str | None:
    for k, value in enumerate(values):
        where = f" at {bands[k]:g} Hz" if len(values) > 1 else ""
        if value < 0:
            return f"{value:g}{where} is below 0; coefficients go from 0 to 1"
        if value > 2:
            return f"{value:g}{where} is above 1; if it is in percent, write {value / 100:g}"
        if of_chamber:
            if value > HIGHEST_READING:
                return (
                    f"{value:g}{where} is above {HIGHEST_READING:g}, more than a chamber reads of "
                    "real samples; look for a mistyped value"
                )
            continue
        if value > 1 and key == "scattering":
            return f"{value:g}{where} is above 1; coefficients go from 0 to 1"
        if value > 1:
            return (
                f"{value:g}{where} is above 1; chamber values above 1 come from the edges of the "
                "sample (edge effect), which a wall doesn't have: write 'chamber = true' beside "
                "them to have all bands reduced for it, or give at most 1.00"
            )
    return None


def finish(
    file: SceneFile, geometry: Geometry, finishes: Finishes, complaints: Complaints
) -> tuple[dict[str, Material], list[str]]:
    """Material of every surface, with notes on what was assumed.

    An exact name in [surfaces] goes before a pattern; things and patches have their own.
    """
    chosen: dict[str, Material] = {}
    for table in ("objects", "patches"):
        for name, section in getattr(file, table).items():
            if section.material is not None:
                found = finishes.find(section.material, (table, name, "material"))
                chosen[name] = found or finishes.prior("unknown object")
                if name in file.surfaces:
                    complaints.add(
                        ("surfaces", name),
                        f"[{table}.{name}] has a material already; keep one of the two",
                    )
    _by_pattern(file, geometry, finishes, complaints, chosen)
    assumed: dict[str, list[str]] = {}
    for name in geometry.names:
        if name not in chosen:
            prior = _prior_name(name, geometry)
            chosen[name] = finishes.prior(prior)
            assumed.setdefault(prior, []).append(name)
    return chosen, [_assumed_note(prior, names) for prior, names in assumed.items()]


def _by_pattern(
    file: SceneFile,
    geometry: Geometry,
    finishes: Finishes,
    complaints: Complaints,
    chosen: dict[str, Material],
) -> None:
    free = [name for name in geometry.names if name not in chosen]
    exact = {name for name in file.surfaces if name in geometry.names}
    by: dict[str, str] = {}
    for pattern, material_name in file.surfaces.items():
        path = ("surfaces", pattern)
        material = finishes.find(material_name, path)
        if pattern in exact:
            matched = [pattern] if pattern in free else []
        else:
            matched = [n for n in free if n not in exact and fnmatchcase(n, pattern)]
            everything = [n for n in geometry.names if fnmatchcase(n, pattern)]
            if not everything:
                _refuse_no_match(pattern, geometry.names, complaints)
        for name in matched:
            if name in by and file.surfaces[by[name]] != material_name:
                complaints.add(
                    path, f"'{name}' is also matched by '{by[name]}'; name '{name}' on its own line"
                )
            by[name] = pattern
            if material is not None:
                chosen[name] = material


def _refuse_no_match(pattern: str, names: Sequence[str], complaints: Complaints) -> None:
    near = get_close_matches(pattern, names, n=1, cutoff=0.6)
    if near:
        sentence = f"there is no surface '{pattern}', did you mean '{near[0]}'?"
    else:
        shown = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
        sentence = f"there is no surface '{pattern}'; there are {shown}"
    complaints.add(("surfaces", pattern), sentence)


def _prior_name(name: str, geometry: Geometry) -> str:
    """Prior for a surface by what it is and which way it looks."""
    k = geometry.names.index(name)
    for kind in ("window", "door"):
        if kind in name.lower():
            return f"unknown {kind}"
    if geometry.owners[k] != "room":
        return "unknown object"
    a, b, c = geometry.vertices[geometry.triangles[geometry.group == k]].transpose(1, 0, 2)
    doubled = np.cross(b - a, c - a)
    upward = float(doubled[:, 2].sum() / max(np.linalg.norm(doubled, axis=1).sum(), 1e-300))
    if upward > 0.7:
        return "unknown floor"
    return "unknown ceiling" if upward < -0.5 else "unknown wall"


def _assumed_note(prior: str, names: Sequence[str]) -> str:
    entry = load_table()[prior]
    low, high = entry.low[1], entry.high[1]
    which = ", ".join(names)
    cure = {
        "unknown wall": "a knock test narrows it",
        "unknown ceiling": "a knock test narrows it",
        "unknown floor": "say what covers it to narrow it",
    }.get(prior, "name a material to narrow it")
    return (
        f"{which}: no material given; taken as '{prior}' with a wide range "
        f"({low:.2f} to {high:.2f} at 125 Hz); {cure}"
    )


def material_notes(materials: Mapping[str, Material]) -> list[str]:
    """What a reader must know of the materials used."""
    openings = [
        name
        for name, material in materials.items()
        if (entry := load_table().get(material.name)) and entry.category == "opening"
    ]
    if not openings:
        return []
    return [
        f"{', '.join(openings)}: an opening is treated as absorbing; "
        "the space beyond isn't modelled"
    ]
