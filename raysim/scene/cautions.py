"""Cautions that what hangs in a scene calls for: usual advice, below codes and licensed people."""

from __future__ import annotations

import re
from collections.abc import Sequence

from raysim.scene.data import Facet, KeepClear, Scene, Treatment
from raysim.scene.shopping import is_overhead

_FOAM = re.compile(r"\bfoam\b", re.IGNORECASE)
_FIBRE = re.compile(
    r"\b(glass|rock|stone|slag|mineral)( |-)?(wool|fibre)|(?<!sheep )\bwool\b", re.I
)
_SOFT = re.compile(r"\b(fabric|polyester|curtain|textile|felt|sheep wool|porous)\b", re.IGNORECASE)
_MASONRY = re.compile(r"\b(concrete|block|brick|brickwork|masonry|stone|solid wall)\b", re.I)
_WINDOW = re.compile(r"\bwindow", re.I)
_AIR = re.compile(r"\b(vent|grille|duct|inlet|radiator|heat|heater|convector|air|fan)", re.I)
HEAVY_KG = 10.0
MOST_NAMED = 4
UPRIGHT = 0.5


def cautions(scene: Scene, names: Sequence[str] | None = None) -> list[str]:
    """Sentences on the treatments of the named variants, or of all; none where none applies.

    After general advice of fire, health and safety bodies (docs/guide/treatments.md); local codes
    and licensed practice go before it.
    """
    used = sorted(
        {
            k
            for variant in scene.variants
            if names is None or variant.name in names
            for k in variant.treatments
        }
    )
    pieces = [scene.treatments[k] for k in used]
    if not pieces:
        return []
    said = [
        *_fire(scene, pieces),
        *_fibre(scene, pieces),
        *_damp(scene, pieces),
        *_overhead(scene, pieces),
        *_standing(pieces),
        *_drilled(pieces),
        *_ways_out(scene),
        *_air(scene),
    ]
    return [*said, "prediction isn't structural, fire or electrical advice: local codes decide"]


def _made_of(scene: Scene, treatment: Treatment) -> str:
    material = scene.materials[treatment.material]
    texts = material.construction.texts if material.construction is not None else ()
    return ", ".join((material.name, *texts))


def _sections(pieces: Sequence[Treatment]) -> str:
    names = [f"'{name}'" for name in dict.fromkeys(t.section for t in pieces)]
    if len(names) <= MOST_NAMED:
        return ", ".join(names)
    return f"{', '.join(names[: MOST_NAMED - 1])} and {len(names) - MOST_NAMED + 1} more"


def _fire(scene: Scene, pieces: Sequence[Treatment]) -> list[str]:
    foam = [t for t in pieces if _FOAM.search(_made_of(scene, t))]
    soft = [t for t in pieces if t not in foam and _SOFT.search(_made_of(scene, t))]
    said = []
    if foam:
        said.append(
            f"fire: {_sections(foam)} is foam: never bedding or packing foam; ask for the "
            "reaction-to-fire report of the product as mounted, ask the authority what class the "
            "room needs (hired and public ones commonly B-s1,d0 of EN 13501-1 or better), "
            "and keep it off lamps, heaters and sockets"
        )
    if soft:
        said.append(
            f"fire: {_sections(soft)}: ask for the reaction-to-fire class of the whole product, "
            "cloth and glue included, for its thickness, mounting and gap; hired and public rooms "
            "commonly need a high one, such as B-s1,d0 of EN 13501-1"
        )
    return said


def _fibre(scene: Scene, pieces: Sequence[Treatment]) -> list[str]:
    wool = [t for t in pieces if _FIBRE.search(_made_of(scene, t))]
    if not wool:
        return []
    return [
        f"mineral fibre: {_sections(wool)}: gloves, eye protection and a fitted dust mask while "
        "cutting, ventilate, wipe wet; wrap it in close cloth on all sides, the back too, and keep "
        "it from air inlets"
    ]


def _damp(scene: Scene, pieces: Sequence[Treatment]) -> list[str]:
    """What is porous and stands or hangs against masonry, which an outside wall often is."""
    against = [
        t
        for t in pieces
        if _SOFT.search(_made_of(scene, t))
        and any(
            abs(facet.normal[2]) < UPRIGHT
            and _MASONRY.search(scene.materials[scene.surfaces[facet.surface].material].name)
            for facet in _behind(scene, t)
        )
    ]
    if not against:
        return []
    return [
        f"damp: {_sections(against)} against masonry: an outside wall or one below ground gets "
        "colder and damper behind it; cure a damp wall first, leave the gap behind open to the "
        "air, and look for mould after a season"
    ]


def _behind(scene: Scene, treatment: Treatment) -> Sequence[Facet]:
    if not treatment.is_object:
        return [scene.facets[treatment.facet]]
    return scene.facets if treatment.kind in ("corner trap", "edge trap") else []


def _overhead(scene: Scene, pieces: Sequence[Treatment]) -> list[str]:
    above = [t for t in pieces if is_overhead(scene, t)]
    if not above:
        return []
    known = [t.weight_kg for t in above if t.weight_kg is not None]
    weight = f"{sum(known):.1f} kg" if len(known) == len(above) else "weight not known"
    lowest = min(float(t.corners[:, 2].min()) for t in above) - scene.mesh.vertices[:, 2].min()
    return [
        f"overhead: {_sections(above)} ({weight}, frame and fixings not counted): rated fixings "
        "into the structure, never into plasterboard or tiles alone, and a second independent "
        f"retention; mind the headroom, {lowest:.2f} m at the lowest, and bracing where the ground "
        "shakes; let a competent person check an old, unknown or heavy ceiling"
    ]


def _standing(pieces: Sequence[Treatment]) -> list[str]:
    loose = [t for t in pieces if t.fixing == "standing"]
    if not loose:
        return []
    return [f"tipping: {_sections(loose)} stands loose: strap it to a wall or widen its foot"]


def _drilled(pieces: Sequence[Treatment]) -> list[str]:
    drilled = [t for t in pieces if t.fixing == "drilled"]
    if not drilled:
        return []
    heavy = [t for t in drilled if (t.weight_kg or 0.0) >= HEAVY_KG]
    load = f"; {_sections(heavy)} is heavy: fix it into studs or masonry" if heavy else ""
    return [
        f"drilling: {_sections(drilled)}: look for cables, pipes and vapour barriers first, in "
        "older buildings have asbestos and lead ruled out before; a tenant needs the owner's "
        f"written consent{load}"
    ]


def _ways_out(scene: Scene) -> list[str]:
    said = []
    hard = [zone for zone in scene.keep_clear if zone.hard]
    if hard:
        named = ", ".join(f"'{zone.name}' ({zone.reason})" for zone in hard)
        said.append(
            f"ways out: {named}: kept clear here without exception; nothing may stand or hang "
            "there later either, and doors must open fully"
        )
    else:
        said.append(
            "ways out: no keep-clear zone names a door, exit, detector or vent; mark them in "
            "[keep_clear], so that nothing is put before them"
        )
    for zone in scene.keep_clear:
        if re.search(r"\bdoor\b.*\bin\b", zone.reason, re.IGNORECASE) and not zone.swing:
            said.append(
                f"ways out: the door '{zone.name}' swings in, but not where it hangs: give swing = "
                '"left" or "right", so that its swing stays clear'
            )
    windows = [zone.name for zone in scene.keep_clear if _WINDOW.search(_words_of(zone))]
    windows = windows or [s.name for s in scene.surfaces if _WINDOW.search(s.name)]
    if windows:
        said.append(
            f"windows: {', '.join(repr(name) for name in windows)}: where one is a way out or the "
            "room's fresh air, it must open fully and its handle be within reach"
        )
    return said


def _air(scene: Scene) -> list[str]:
    """Fresh air and heat: what is marked stays free, what isn't has to be looked for."""
    marked = [zone.name for zone in scene.keep_clear if _AIR.search(_words_of(zone))]
    fresh = (
        "a closed room needs fresh air, commonly some 7 l/s a person, and cooling besides, which "
        "is another thing"
    )
    if not marked:
        return [
            "air: no vent, grille or heater is marked in [keep_clear]: look for them, and cover "
            f"none; {fresh}"
        ]
    named = ", ".join(f"'{name}'" for name in marked)
    return [f"air: {named} must stay free in front too, and soft things off heaters; {fresh}"]


def _words_of(zone: KeepClear) -> str:
    return f"{zone.name} {zone.reason}"
