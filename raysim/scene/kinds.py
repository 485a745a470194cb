"""Kinds of treatment and patterns: which keys each knows and can't do without."""

from __future__ import annotations

from collections.abc import Iterator

from raysim.scene.schema import OBJECTS, TreatmentSection

KIND_OF_PATTERN = {
    "side reflections": "panel",
    "cloud above the desk": "cloud",
    "front wall behind loudspeakers": "panel",
    "rear wall": "panel",
    "corner traps": "corner trap",
    "edge traps": "edge trap",
}
FIXING = {"cloud": "hung", "edge trap": "hung", "corner trap": "standing", "screen": "standing"}
COMMON = {
    *("kind", "pattern", "material", "layers", "thickness", "gap", "fixing", "cost", "weight"),
    *("phase", "owned", "override"),
}
# Keys that a kind, or a pattern, knows beside the common ones; those it can't do without.
KEYS = {
    "panel": ({"on", "at", "size"}, {"on", "at", "size"}),
    "tiles": ({"on", "at", "size", "tiles", "spacing"}, {"on", "at", "size", "tiles"}),
    "corner trap": ({"on", "size", "z", "shape"}, {"on", "size"}),
    "edge trap": ({"on", "size", "along", "shape"}, {"on", "size"}),
    "cloud": ({"on", "at", "size"}, {"on", "at", "size"}),
    "screen": ({"at", "size"}, {"at", "size"}),
    "side reflections": ({"size", "margin"}, set[str]()),
    "cloud above the desk": ({"size", "margin"}, set[str]()),
    "front wall behind loudspeakers": ({"size"}, {"size"}),
    "rear wall": ({"size", "margin"}, set[str]()),
    "corner traps": ({"size", "z", "shape", "places"}, {"size"}),
    "edge traps": ({"size", "shape", "places"}, {"size", "places"}),
}

EXAMPLES = {
    "on": 'on = "left"',
    "at": 'at = "in the middle, 1.2m up"',
    "size": "size = [0.6, 1.2]",
    "tiles": "tiles = [3, 2]",
    "places": 'places = ["rear"]',
}
OF_KIND = {
    ("corner trap", "on"): 'on = ["front", "left"]',
    ("edge trap", "on"): 'on = ["rear", "ceiling"]',
    ("cloud", "on"): 'on = "ceiling"',
    ("cloud", "at"): "at = [0.9, 0.6]",
    ("screen", "at"): "at = [1.0, 2.0, 0]",
    ("screen", "size"): "size = [0.1, 0.8, 1.6]",
}


def kind_of(section: TreatmentSection) -> str | None:
    """Kind of a section, given or that of its pattern."""
    return section.kind or KIND_OF_PATTERN.get(section.pattern or "")


def refused_keys(section: TreatmentSection) -> Iterator[tuple[str, str]]:
    """Keys that say nothing or are missing, each with a sentence."""
    kind, form = kind_of(section), section.pattern or section.kind
    if kind is None or form is None:
        yield "", "give its 'kind', such as \"panel\", or a 'pattern'"
        return
    usual = KIND_OF_PATTERN.get(section.pattern or "", kind)
    if (usual in OBJECTS or kind in OBJECTS or kind == "tiles") and kind != usual:
        yield "kind", f"the pattern '{form}' makes a {usual}; take one of the two out"
        return
    known, needed = KEYS.get(form, KEYS["panel"])
    for key in sorted(section.model_fields_set - COMMON - known):
        yield key, f"it says nothing of a treatment '{form}'; take it out"
    missing = sorted(needed - section.model_fields_set)
    if missing:
        names = " and ".join(f"'{key}'" for key in missing)
        examples = " and ".join(OF_KIND.get((kind, key), EXAMPLES[key]) for key in missing)
        yield "", f"a '{form}' needs {names} too; give for example {examples}"
    wanted = 3 if kind == "screen" else 2
    traps_may = (1, 2) if kind.endswith("trap") else (wanted,)
    if section.size is not None and len(section.size) not in traps_may:
        how = {"screen": "[along x, along y, height]"}.get(kind, "[width, height]")
        yield "size", f"{len(section.size)} values; give {wanted}: {how}"
