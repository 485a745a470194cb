"""The section 'Where early sound falls and where it comes from': two maps on unfolded walls."""

from __future__ import annotations

from dataclasses import dataclass

from raysim.bands import band_name
from raysim.quantities.places import map_bands
from raysim.quantities.shares import arriving_share, incident_share
from raysim.report import style
from raysim.report.maps import draw_map, walls_of_most
from raysim.report.pictures import Picture, picture_of
from raysim.report.shading import SURE_SHARE, share_shading
from raysim.results.data import MAP_WINDOWS_S, Result

EARLY = 0
FIRST = 0


@dataclass(frozen=True)
class Falling:
    """What the page shows; `files` are PNG by name."""

    intro: str
    pictures: list[Picture]
    files: dict[str, bytes]


def falling(result: Result) -> Falling | None:
    """The section, or None for a result without maps or with no band that rays describe."""
    bands = map_bands(result)
    if result.maps is None or not bands:
        return None
    seat = result.scene.receivers[FIRST].name
    falls, reaches = "energy that falls here", f"energy that reaches {seat} from here"
    shadings = {
        "map_incident.png": share_shading(incident_share(result, EARLY, bands), falls, SURE_SHARE),
        "map_arriving.png": share_shading(arriving_share(result, FIRST, EARLY, bands), reaches),
    }
    files, pictures = {}, []
    with style.drawing():
        for name, shading in shadings.items():
            walls = walls_of_most(result, shading)
            if walls:
                figure = draw_map(result, shading, walls)
                files[name] = style.png(figure)
                pictures.append(picture_of(figure, f"Walls unfolded: {shading.title}"))
    labels = [band_name(result.scene.bands_hz[b]) for b in bands]
    span = labels[0] if len(labels) == 1 else f"{labels[0]} to {labels[-1]}"
    intro = (
        f"Sound that comes within {1e3 * MAP_WINDOWS_S[EARLY]:g} ms after the direct way, in "
        f"“{result.variants[0]}”: first what falls on each surface, then what "
        f"reaches {seat} and met that surface last, with exact mirror paths as single squares. "
        f"Means over {span} and over the sources; surfaces that take most come first."
    )
    return Falling(intro, pictures, files)
