"""Loudspeakers of a scene file, and which source is which."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

from raysim.errors import SceneError
from raysim.loudspeakers.cabinet import Cabinet, directivity_of
from raysim.loudspeakers.directivity import Directivity
from raysim.loudspeakers.sofa import read_sofa
from raysim.loudspeakers.table import read_table
from raysim.scene.complaints import Complaints
from raysim.scene.data import Source
from raysim.scene.schema import LoudspeakerSection, SceneFile

LARGEST_EDGE_M = 2.5
SIZES = ("cabinet", "drivers", "crossover_hz", "crossover_order", "lowpass_hz")


def equip(
    file: SceneFile,
    left_out: set[tuple[str, ...]],
    sources: Sequence[Source],
    folder: Path,
    bands_hz: Sequence[float],
    speed: float,
    complaints: Complaints,
) -> tuple[list[Source], list[str]]:
    """Give each source the directivity of the loudspeaker it names.

    Parameters
    ----------
    left_out : set of key paths
        Sections with faults, which are complained of already.
    folder : Path
        Where files of directivities are looked for.
    speed : float
        Of sound, m/s.

    Returns
    -------
    sources : list of Source
    doubts : list of str
    """
    doubts: list[str] = []
    made: dict[str, Directivity] = {}
    for name, section in file.loudspeakers.items():
        found = _make(name, section, folder, bands_hz, speed, complaints, doubts)
        if found is not None:
            made[name] = found
    named = {name: section.loudspeaker for name, section in file.sources.items()}
    broken = {path[1] for path in left_out if path[0] == "loudspeakers" and len(path) > 1}
    known = [*file.loudspeakers, *broken]
    for name, wanted in named.items():
        if wanted is not None and wanted not in known:
            near = get_close_matches(wanted, known, n=1)
            listed = ", ".join(known) or "none; add [loudspeakers.NAME]"
            cure = f", did you mean '{near[0]}'?" if near else f"; there are {listed}"
            complaints.add(
                ("sources", name, "loudspeaker"), f"there is no loudspeaker '{wanted}'{cure}"
            )
    idle = [name for name in file.loudspeakers if name not in named.values()]
    doubts += [f"no source names the loudspeaker '{name}', so it is not used" for name in idle]
    equipped = [
        dataclasses.replace(source, directivity=made.get(named[source.name] or ""))
        for source in sources
    ]
    return equipped, doubts


def _make(
    name: str,
    section: LoudspeakerSection,
    folder: Path,
    bands_hz: Sequence[float],
    speed: float,
    complaints: Complaints,
    doubts: list[str],
) -> Directivity | None:
    path = ("loudspeakers", name)
    sizes = [key for key in SIZES if getattr(section, key) is not None]
    if section.directivity is not None and sizes and sizes != ["lowpass_hz"]:
        complaints.add(path, f"it has both 'directivity' and '{sizes[0]}'; give one of the two")
    elif section.directivity is not None:
        return _from_file(path, section, folder, bands_hz, complaints)
    elif section.cabinet is None or section.drivers is None:
        complaints.add(
            path,
            "give 'cabinet' = [width, depth, height] and 'drivers' = [diameters], or a file as "
            "'directivity'",
        )
    else:
        cabinet = Cabinet(
            section.cabinet,
            section.drivers,
            section.crossover_hz or (),
            section.crossover_order or 4,
            section.lowpass_hz or math.inf,
        )
        wrong = cabinet.complaints()
        if max(cabinet.size_m) > LARGEST_EDGE_M:
            wrong = [
                f"a cabinet {max(cabinet.size_m):g} m long; numbers without a unit are metres, "
                'write "30cm" for centimetres'
            ]
        for sentence in wrong:
            complaints.add(path, sentence)
        if not wrong:
            doubts += [f"loudspeaker '{name}': {doubt}" for doubt in cabinet.doubts(bands_hz)]
            return directivity_of(cabinet, bands_hz, speed)
    return None


def _from_file(
    path: tuple[str, str],
    section: LoudspeakerSection,
    folder: Path,
    bands_hz: Sequence[float],
    complaints: Complaints,
) -> Directivity | None:
    file = str(section.directivity)
    readers = {".csv": read_table, ".sofa": read_sofa}
    key = (*path, "directivity")
    reader = readers.get(Path(file).suffix.lower())
    if reader is None:
        complaints.add(key, f"'{file}' is neither .csv nor .sofa; give one of these")
        return None
    try:
        found = reader(folder / file, bands_hz)
    except SceneError as error:
        for sentence in error.complaints:
            complaints.add(key, sentence.replace(str(folder / file), file))
        return None
    return dataclasses.replace(found, lowpass_hz=section.lowpass_hz or math.inf)
