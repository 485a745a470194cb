"""Treatments and variants of a scene file put into its Scene."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from fnmatch import fnmatchcase

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from raysim.errors import SceneError
from raysim.scene.assemble import assemble
from raysim.scene.building import Built
from raysim.scene.collisions import Reach
from raysim.scene.complaints import Complaints
from raysim.scene.data import Material, Scene, Shell, Surface, Treatment, Variant
from raysim.scene.finishes import Finishes
from raysim.scene.kinds import kind_of, refused_keys
from raysim.scene.lines import Path
from raysim.scene.linings import Lining, lining
from raysim.scene.pieces import CannotPlaceError, Piece, pieces_of
from raysim.scene.places import check_places, make_places
from raysim.scene.placing import find_sheet
from raysim.scene.rooms import prism
from raysim.scene.schema import OBJECTS, SceneFile, VariantSection
from raysim.scene.solids import geometry_of_body
from raysim.scene.traps import CLEAR_M
from raysim.scene.variants import BASE, scene_of

TREATED = "treated"
HAIR_M = 1e-9
Array = NDArray[np.float64]

CALLED = "treatments.{}: no variant has it, so it changes nothing; name it in one"


@dataclass(frozen=True)
class Wishes:
    """What the file says of treatments and variants that needs no geometry.

    Attributes
    ----------
    linings : dict of section name to Lining
    materials : dict of (variant, pattern) to Material
    """

    linings: dict[str, Lining]
    materials: dict[tuple[str, str], Material]

    @property
    def further(self) -> list[Material]:
        """All materials that treatments and variants have."""
        return [*(one.material for one in self.linings.values()), *self.materials.values()]


def read_wishes(
    file: SceneFile, left_out: set[Path], finishes: Finishes, complaints: Complaints
) -> Wishes:
    """Complain of what is wrong with treatments and variants before they have a place."""
    linings: dict[str, Lining] = {}
    for name, section in file.treatments.items():
        if name in file.materials or name in (BASE, TREATED):
            complaints.add(("treatments", name), f"'{name}' names something else; choose another")
        faults = list(refused_keys(section))
        for key, sentence in faults:
            complaints.add(("treatments", name, key) if key else ("treatments", name), sentence)
        free = kind_of(section) in OBJECTS
        made = lining(name, section, finishes, complaints, free)
        if made is not None and not faults:
            linings[name] = made
        for zone in section.override:
            _check_override(name, zone, file, left_out, complaints)
    materials: dict[tuple[str, str], Material] = {}
    for name, variant in file.variants.items():
        if name == BASE:
            complaints.add(
                ("variants", name), "'base' is the room without treatments; choose another name"
            )
        _check_names(name, variant, file, left_out, complaints)
        for pattern, material in variant.surfaces.items():
            found = finishes.find(material, ("variants", name, "surfaces", pattern))
            if found is not None:
                materials[name, pattern] = found
    return Wishes(linings, materials)


def _check_override(
    name: str, zone: str, file: SceneFile, left_out: set[Path], complaints: Complaints
) -> None:
    if zone not in file.keep_clear and ("keep_clear", zone) not in left_out:
        _no_such(
            ("treatments", name, "override"), "keep-clear zone", zone, file.keep_clear, complaints
        )


def _check_names(
    name: str,
    variant: VariantSection,
    file: SceneFile,
    left_out: set[Path],
    complaints: Complaints,
) -> None:
    for table, noun in (
        ("treatments", "treatment"),
        ("sources", "source"),
        ("receivers", "receiver"),
    ):
        known = getattr(file, table)
        for wanted in getattr(variant, table):
            if wanted not in known and (table, wanted) not in left_out and (table,) not in left_out:
                _no_such(("variants", name, table), noun, wanted, known, complaints)
    twice = {one for one in variant.treatments if variant.treatments.count(one) > 1}
    for one in sorted(twice):
        complaints.add(("variants", name, "treatments"), f"'{one}' is named twice; once is enough")


def _no_such(
    path: Path,
    noun: str,
    name: str,
    known: Iterable[str],
    complaints: Complaints,
) -> None:
    near = get_close_matches(name, list(known), n=1, cutoff=0.6)
    there = ", ".join(known) or "none"
    cure = f", did you mean '{near[0]}'?" if near else f"; there are {there}"
    complaints.add(path, f"there is no {noun} '{name}'{cure}")


def treat(
    scene: Scene, file: SceneFile, built: Built, wishes: Wishes, complaints: Complaints
) -> Scene:
    """The scene with its treatments, variants and their shells; complains of all that can't be."""
    if not (file.treatments or file.variants):
        return scene
    _check_zones(scene, built, complaints)
    complaints.raise_any()
    reach = Reach(scene, built.faces)
    pieces = _placed(scene, file, built, wishes, reach, complaints)
    index = {id(material): k for k, material in enumerate(scene.materials)}
    treatments = tuple(
        replace(p.treatment, material=index[id(wishes.linings[p.treatment.section].material)])
        for p in pieces
    )
    notes: list[str] = []
    sections = dict(file.variants)
    if file.treatments and not sections:
        sections[TREATED] = VariantSection.model_validate({"treatments": [*file.treatments]})
        notes.append(f"there are no variants; one, '{TREATED}', has every treatment")
    variants = [Variant(BASE, note="the room without treatments")]
    shells: list[Shell] = []
    known_shells: dict[tuple[str, ...], int] = {}
    for name, section in sections.items():
        own = tuple(k for k, t in enumerate(treatments) if t.section in section.treatments)
        own = tuple(sorted(own, key=lambda k: section.treatments.index(treatments[k].section)))
        objects = tuple(treatments[k].name for k in own if treatments[k].is_object)
        if objects and objects not in known_shells and not complaints.found:
            bodies = [p for p in pieces if p.treatment.name in objects]
            shell = shell_with(scene, built, bodies, treatments, complaints)
            if shell is not None:
                known_shells[objects] = len(shells)
                shells.append(shell)
        variant = _variant(name, section, own, scene, wishes, complaints)
        variant = replace(variant, shell=known_shells.get(objects, -1))
        variant = _with_moved(variant, section, scene, file, built, complaints)
        _check_variant(variant, scene, treatments, reach, complaints)
        variants.append(variant)
    used = {treatments[k].section for v in variants for k in v.treatments}
    idle = [CALLED.format(name) for name in file.treatments if name not in used]
    return replace(
        scene,
        treatments=treatments,
        variants=tuple(variants) if len(variants) > 1 else (),
        shells=tuple(shells),
        notes=(*scene.notes, *notes),
        warnings=(*scene.warnings, *idle),
    )


def _check_zones(scene: Scene, built: Built, complaints: Complaints) -> None:
    """Complain of zones on surfaces that lie in several planes."""
    for zone in scene.keep_clear:
        try:
            find_sheet(scene, zone.on, built.faces)
        except ValueError:
            complaints.add(
                ("keep_clear", zone.name, "on"),
                f"'{zone.on}' lies in several planes; make the one that it is on a group of its "
                "own in the mesh",
            )


def _placed(
    scene: Scene,
    file: SceneFile,
    built: Built,
    wishes: Wishes,
    reach: Reach,
    complaints: Complaints,
) -> list[Piece]:
    """Pieces of all sections that have a place of their own in the room."""
    clear_m = 0.0 if built.handedness < 0 else CLEAR_M
    taken = {surface.name for surface in scene.surfaces}
    pieces = []
    for name, made_of in wishes.linings.items():
        path, section = ("treatments", name), file.treatments[name]
        try:
            made = pieces_of(name, section, made_of, scene, built.faces, clear_m)
        except CannotPlaceError as fault:
            complaints.add((*path, fault.key), str(fault))
            continue
        for piece in made:
            treatment = piece.treatment
            if treatment.is_object and treatment.name in taken:
                complaints.add(path, f"'{treatment.name}' names a surface already; choose another")
            said = reach.with_room(treatment) + reach.with_zones(treatment, section.override)
            for sentence in said:
                complaints.add(path, _of_piece(treatment, sentence))
        pieces += made
    return pieces


def _of_piece(treatment: Treatment, sentence: str) -> str:
    single = treatment.name == treatment.section
    return f"{'' if single else f'{treatment.name}: '}{sentence} (now {treatment.where})"


def _variant(
    name: str,
    section: VariantSection,
    own: tuple[int, ...],
    scene: Scene,
    wishes: Wishes,
    complaints: Complaints,
) -> Variant:
    index = {id(material): k for k, material in enumerate(scene.materials)}
    changed: dict[int, int] = {}
    names = [surface.name for surface in scene.surfaces]
    for pattern in section.surfaces:
        matched = [pattern] if pattern in names else [n for n in names if fnmatchcase(n, pattern)]
        if not matched:
            _no_such(("variants", name, "surfaces", pattern), "surface", pattern, names, complaints)
        material = wishes.materials.get((name, pattern))
        for surface in matched if material is not None else ():
            changed[names.index(surface)] = index[id(material)]
    parts = [
        *section.treatments,
        *(f"{surface} of {material}" for surface, material in section.surfaces.items()),
        *(f"{thing} moved" for thing in (*section.sources, *section.receivers)),
    ]
    note = section.note or ", ".join(parts) or "as the base"
    return Variant(name, own, tuple(sorted(changed.items())), note=note)


def _with_moved(
    variant: Variant,
    section: VariantSection,
    scene: Scene,
    file: SceneFile,
    built: Built,
    complaints: Complaints,
) -> Variant:
    """The variant with its moved sources and receivers, which aim and face as the file says."""
    if not (section.sources or section.receivers):
        return variant
    moved = file.model_copy(
        update={
            table: {
                name: one.model_copy(update={"position": getattr(section, table)[name]})
                if name in getattr(section, table)
                else one
                for name, one in getattr(file, table).items()
            }
            for table in ("sources", "receivers")
        }
    )
    sources, receivers = make_places(moved, built.handedness, complaints)
    check_places(moved, built.geometry, built.prisms, complaints, ("variants", variant.name))
    directivity = {source.name: source.directivity for source in scene.sources}
    return replace(
        variant,
        sources=tuple(replace(s, directivity=directivity[s.name]) for s in sources),
        receivers=tuple(receivers),
    )


def _check_variant(
    variant: Variant,
    scene: Scene,
    treatments: Sequence[Treatment],
    reach: Reach,
    complaints: Complaints,
) -> None:
    own = [treatments[k] for k in variant.treatments]
    there = scene_of(scene, replace(variant, shell=-1))
    for treatment in own:
        path = ("treatments", treatment.section)
        for sentence in reach.with_people(treatment, there.sources, there.receivers):
            complaints.add(path, _of_piece(treatment, f"{sentence}, in '{variant.name}'"))
    for treatment, sentence in reach.with_others(own):
        complaints.add(
            ("treatments", treatment.section),
            _of_piece(treatment, f"{sentence}, in '{variant.name}'; move one of them"),
        )


def _into_walls(plan: Array) -> Array:
    """A plan grown by a hair, so that the walls that it touches cut it without slivers."""
    grown = Polygon(plan).buffer(HAIR_M, join_style="mitre", mitre_limit=10.0)
    return np.array(grown.exterior.coords)[:-1]


def shell_with(
    scene: Scene,
    built: Built,
    objects: Sequence[Piece],
    treatments: Sequence[Treatment],
    complaints: Complaints,
) -> Shell | None:
    """Boundary of the room with objects in it; None after a complaint."""
    assert built.with_more is not None
    prisms, bodies = [], []
    for piece in objects:
        body, name = piece.body, piece.treatment.name
        assert body is not None
        if body.plan is not None and built.handedness < 0:
            plan = body.plan
            if piece.treatment.kind == "corner trap":
                plan = _into_walls(plan)
            prisms.append(prism(name, plan.tolist(), *body.heights))
        else:
            bodies.append(geometry_of_body(name, body.corners))
    of = {s.name: scene.materials[s.material] for s in scene.surfaces}
    of |= {t.name: scene.materials[t.material] for t in treatments if t.is_object}
    try:
        made = assemble(
            built.with_more(prisms, bodies),
            of,
            scene.sources,
            scene.receivers,
            handedness=scene.handedness,
            climate=scene.climate,
            bands_hz=scene.bands_hz,
            front=scene.front,
        )
    except SceneError as error:
        said = [s.replace("objects.", "treatments.", 1) for s in error.complaints]
        section = {f"treatments.{t.name}": t.section for t in (p.treatment for p in objects)}
        for sentence in said:
            key, _, rest = sentence.partition(": ")
            owner = section.get(key, objects[0].treatment.section)
            complaints.add(("treatments", owner), rest if key in section else sentence)
        return None
    index = {id(material): k for k, material in enumerate(scene.materials)}
    surfaces = tuple(
        Surface(s.name, index[id(made.materials[s.material])], s.owner) for s in made.surfaces
    )
    return Shell(made.mesh, surfaces, made.facets, made.volume, made.mesh_sha256)
