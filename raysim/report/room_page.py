"""room.html: the room in 3-D with every map on it, in one file that needs no network."""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup
from matplotlib.colors import to_hex
from numpy.typing import NDArray
from plotly.offline import get_plotlyjs

from raysim.bands import band_name
from raysim.quantities.places import find_places, map_bands, mean_slopes
from raysim.quantities.shares import arriving_share, incident_share
from raysim.report import style
from raysim.report.listed import drawn, list_reflections
from raysim.report.room_model import (
    groups_of_patches,
    outlines,
    pieces,
    places_in_words,
    seen,
)
from raysim.report.seats import MOST_SHOWN
from raysim.report.shading import (
    SURE_SHARE,
    TITLES,
    Shading,
    known_values,
    share_shading,
    slope_shading,
)
from raysim.report.templates import render, text_file
from raysim.results.data import MAP_WINDOWS_S, Result

Array = NDArray[np.float64]

FILE = "room.html"
DASHES = ("solid", "dash", "dot", "dashdot")
_LIMITS_MS = [1e3 * end for end in MAP_WINDOWS_S]
WINDOWS = (
    f"within {_LIMITS_MS[0]:g} ms",
    f"{_LIMITS_MS[0]:g} to {_LIMITS_MS[1]:g} ms",
    f"later than {_LIMITS_MS[1]:g} ms",
)
ALWAYS = "any time"


def compose_room(result: Result) -> str | None:
    """The page, or None for a result without maps or with no band that rays describe.

    Maps are those of the first variant: what falls on each patch, what reaches each receiver from
    it (up to four receivers, or else the first), and what absorption there would change.
    """
    if result.maps is None or not map_bands(result):
        return None
    arrays: dict[str, NDArray[np.generic]] = {}
    model = _model(result, arrays)
    table, content, at = {}, [], 0
    for name, array in arrays.items():
        table[name] = {"kind": array.dtype.name, "at": at, "count": array.size}
        content.append(array.tobytes())
        at += array.nbytes
    model["arrays"] = table
    return render(
        "room",
        css=text_file("page.css"),
        library=Markup(get_plotlyjs()),
        script=text_file("room.js"),
        title=result.scene.title,
        first=result.variants[0],
        model=_deflated(json.dumps(model, ensure_ascii=False).encode("utf-8")),
        numbers=_deflated(b"".join(content)),
    )


def _deflated(content: bytes) -> str:
    return base64.b64encode(zlib.compress(content, 9)).decode("ascii")


def _model(result: Result, arrays: dict[str, NDArray[np.generic]]) -> dict[str, object]:
    """What the page shows; long rows of numbers go into `arrays`."""
    assert result.maps is not None
    scene = result.scene_in(0)
    groups = []
    for k, group in enumerate(groups_of_patches(result)):
        arrays[f"vertices {k}"] = group.vertices.T.astype(np.float32)
        arrays[f"patches {k}"] = group.patch.astype(np.int32)
        arrays[f"triangles {k}"] = group.triangles.T.astype(np.int32)
        groups.append({"normal": group.normal.tolist(), "centre": group.centre.tolist()})
    maps: list[dict[str, object]] = []
    for title, window, band, shading in _maps(result):
        arrays[f"map {len(maps)}"] = shading.drawn_everywhere(result.maps).astype(np.float32)
        maps.append(
            {
                "title": title,
                "window": window,
                "band": band,
                "key": shading.title,
                "colours": [to_hex(shading.colours(i)) for i in range(shading.colours.N)],
                "limits": shading.limits.boundaries[1:-1].tolist(),
                "labels": shading.labels,
                "rises": shading.more_above if np.isfinite(shading.more_above) else None,
                "factor": shading.factor,
                "unit": shading.unit,
            }
        )
    return {
        "groups": groups,
        "maps": maps,
        "places": places_in_words(result),
        "outlines": [_rounded(loop) for loop in outlines(scene)],
        "variants": [
            {
                "name": variant.name,
                "pieces": [
                    {"name": name, "lines": _rounded(lines)}
                    for name, lines in pieces(result.scene, variant.treatments)
                ],
            }
            for variant in result.scene.variants
            if variant.name in result.variants and variant.treatments
        ],
        "sources": _points(result, [(s.name, s.position) for s in scene.sources]),
        "receivers": _points(result, [(r.name, r.position) for r in scene.receivers]),
        "paths": [_paths(result, receiver) for receiver in _receivers(result)],
        "looks": [
            {"colour": look.colour, "dash": dash}
            for look, dash in zip(style.LOOKS, DASHES, strict=True)
        ],
    }


def _receivers(result: Result) -> range:
    count = len(result.scene.receivers)
    return range(count if count <= MOST_SHOWN else 1)


def _maps(result: Result) -> list[tuple[str, str, str, Shading]]:
    """Title, time window, band and shading of every map that can be chosen."""
    bands = map_bands(result)
    names = [band_name(result.scene.bands_hz[b]) for b in bands]
    chosen = [(f"mean of {names[0]} to {names[-1]}", bands)] if len(bands) > 1 else []
    chosen += [(name, [band]) for name, band in zip(names, bands, strict=True)]
    found = []
    for number, window in enumerate(WINDOWS):
        for name, some in chosen:
            share = incident_share(result, number, some)
            title = "Energy that falls here"
            found.append((title, window, name, share_shading(share, title, SURE_SHARE)))
    for receiver in _receivers(result):
        title = f"Energy that reaches {result.scene.receivers[receiver].name} from here"
        for number, window in enumerate(WINDOWS):
            for name, some in chosen:
                share = arriving_share(result, receiver, number, some)
                found.append((title, window, name, share_shading(share, title)))
    places = find_places(result)
    for quantity, term in enumerate(TITLES):
        if not np.isfinite(places.slopes.value[:, quantity]).any():
            continue
        title = f"Change of {term} for a square metre more"
        known = known_values(places.slopes, quantity)
        for name, some in chosen:
            shading = slope_shading(mean_slopes(result, some), quantity, known)
            found.append((title, ALWAYS, name, shading))
    return found


def _points(result: Result, named: Sequence[tuple[str, Array]]) -> list[dict[str, object]]:
    scene = result.scene
    return [{"name": name, "at": _rounded(seen(scene, at))} for name, at in named]


def _paths(result: Result, receiver: int) -> dict[str, object]:
    """Early reflections to one receiver, numbered as in the report."""
    scene = result.scene_in(0)
    listed = list_reflections(result, 0, receiver)
    by_number = {one.numbered.number: one for one in listed}
    seat = scene.receivers[receiver]
    lines = []
    for path in drawn(listed):
        one, reflection = by_number[path.number], path.reflection
        source = scene.sources[reflection.source]
        ends = np.vstack([source.position, reflection.points, seat.position])
        level = f"{one.level_db:.1f} dB re direct".replace("-", "\N{MINUS SIGN}")
        level = level if np.isfinite(one.level_db) else "not judged"
        lines.append(
            {
                "source": reflection.source,
                "points": _rounded(seen(scene, ends)),
                "words": f"{path.number}: {source.name} to {seat.name} by {one.surfaces}, "
                f"{one.delay_ms:.2f} ms after the direct sound, {level}",
            }
        )
    return {"receiver": seat.name, "lines": lines}


def _rounded(numbers: Array) -> list[object]:
    """Nested lists of metres to a tenth of a millimetre."""
    return list(np.round(numbers, 4).tolist())
