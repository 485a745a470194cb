"""A room in which treatments are tried: each is made and judged without a scene file of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from raysim.errors import SceneError
from raysim.scene.building import build
from raysim.scene.collisions import Reach
from raysim.scene.complaints import Complaints, read_sections
from raysim.scene.data import Material, Scene, Shell, Variant
from raysim.scene.finishes import Finishes
from raysim.scene.kinds import kind_of, refused_keys
from raysim.scene.lines import key_lines, parse
from raysim.scene.linings import Lining, lining
from raysim.scene.pieces import CannotPlaceError, Piece, pieces_of
from raysim.scene.placing import Sheet, find_sheet
from raysim.scene.read import load_scene
from raysim.scene.schema import OBJECTS, TreatmentSection
from raysim.scene.traps import CLEAR_M
from raysim.scene.treating import shell_with
from raysim.scene.variants import BASE
from raysim.surfaces.construction import Construction
from raysim.surfaces.grammar import parse_layers

Keys = Mapping[str, Any]


@dataclass(frozen=True)
class Made:
    """What came of one section.

    Attributes
    ----------
    keys : mapping
        Of the section, as a scene file has them.
    pieces : tuple of Piece
        Empty where it is refused.
    refused : tuple of str
        Why it can't be there, one sentence each.
    """

    keys: Keys
    pieces: tuple[Piece, ...]
    refused: tuple[str, ...] = ()


class Workshop:
    """The bare room of a scene file, and the means to try treatments in it.

    Attributes
    ----------
    scene : Scene
        Without the treatments and variants of the file.

    Raises
    ------
    SceneError
        As `load_scene`.
    """

    def __init__(self, path: str | Path) -> None:
        whole = load_scene(path)
        self.path = Path(path)
        self.scene = replace(whole, treatments=(), variants=(), shells=())
        self.taken = {t.section for t in whole.treatments} | {v.name for v in whole.variants}
        quiet = Complaints(str(path), key_lines(whole.text))
        file, left_out = read_sections(parse(whole.text), quiet)
        built = build(file, self.path.parent, quiet)
        assert built is not None  # the same file was read above
        self._built = built
        self._finishes = Finishes(file, left_out, whole.bands_hz, whole.bands_hz, quiet)
        self._materials = {*file.materials}
        self._reach = Reach(self.scene, built.faces)
        self._linings: dict[str, Lining] = {}
        self._known: dict[tuple[object, ...], Lining] = {}
        self._clear_m = 0.0 if built.handedness < 0 else CLEAR_M

    def sheet(self, name: str) -> Sheet:
        """Plane of a surface or facet as people measure it; ValueError as `find_sheet`."""
        return find_sheet(self.scene, name, self._built.faces)

    def make(self, name: str, keys: Keys) -> Made:
        """Pieces of a section [treatments.NAME], or why the room has no place for it.

        Give each section a name of its own: bodies are remembered by it.
        """
        complaints = Complaints("", {})
        try:
            section = TreatmentSection.model_validate(dict(keys))
        except ValidationError as error:
            return Made(keys, (), tuple(_plain(item) for item in error.errors()))
        faults = [f"{key}: {said}" if key else said for key, said in refused_keys(section)]
        if faults:
            return Made(keys, (), tuple(faults))
        made_of = self._lining(name, section, complaints)
        if made_of is None:
            return Made(keys, (), tuple(s.removeprefix(": ") for _, s in complaints.found))
        faces = self._built.faces
        try:
            pieces = pieces_of(name, section, made_of, self.scene, faces, self._clear_m)
        except CannotPlaceError as fault:
            return Made(keys, (), (str(fault),))
        said = []
        for piece in pieces:
            treatment, scene = piece.treatment, self.scene
            said += (
                self._reach.with_zones(treatment, section.override)
                or self._reach.with_people(treatment, scene.sources, scene.receivers)
                or self._reach.with_room(treatment)
            )
        return Made(keys, () if said else tuple(pieces), tuple(said))

    def material_of(self, piece: Piece) -> Material:
        """What a piece that this workshop made is of."""
        return self._linings[piece.treatment.section].material

    def construction(self, keys: Keys) -> Construction | None:
        """Layers of what a section is made of; None where they aren't known."""
        if keys.get("layers"):
            try:
                return parse_layers(keys["layers"], "layers")
            except SceneError:
                return None
        material = self._finishes.known.get(str(keys.get("material")))
        return None if material is None else material.construction

    def scene_with(self, variants: Mapping[str, Sequence[Piece]]) -> Scene:
        """The room with a variant for each set of pieces, 'base' first.

        Raises
        ------
        SceneError
            Objects of a set don't fit into the room together.
        """
        pieces = list({id(p): p for own in variants.values() for p in own}.values())
        index = {id(m): k for k, m in enumerate(self.scene.materials)}
        materials = list(self.scene.materials)
        for piece in pieces:
            material = self.material_of(piece)
            if id(material) not in index:
                index[id(material)] = len(materials)
                materials.append(material)
        treatments = tuple(
            replace(p.treatment, material=index[id(self.material_of(p))]) for p in pieces
        )
        number = {id(p): k for k, p in enumerate(pieces)}
        scene = replace(self.scene, materials=tuple(materials))
        shells: list[Shell] = []
        known: dict[tuple[int, ...], int] = {(): -1}
        made = [Variant(BASE, note="the room without treatments")]
        for name, own in variants.items():
            numbers = tuple(number[id(p)] for p in own)
            objects = tuple(sorted(k for k in numbers if treatments[k].is_object))
            if objects not in known:
                complaints = Complaints(str(self.path), {})
                bodies = [replace(pieces[k], treatment=treatments[k]) for k in objects]
                shell = shell_with(scene, self._built, bodies, treatments, complaints)
                if shell is None:
                    raise SceneError([sentence for _, sentence in complaints.found])
                known[objects] = len(shells)
                shells.append(shell)
            made.append(Variant(name, numbers, shell=known[objects]))
        return replace(scene, treatments=treatments, variants=tuple(made), shells=tuple(shells))

    def _lining(
        self, name: str, section: TreatmentSection, complaints: Complaints
    ) -> Lining | None:
        free = kind_of(section) in OBJECTS
        key = (section.material, section.layers, section.thickness, section.gap, free)
        if key not in self._known:
            self._finishes.complaints = complaints
            made = lining(name, section, self._finishes, complaints, free)
            if made is None:
                return None
            self._known[key] = made
        self._linings[name] = self._known[key]
        return self._known[key]


def _plain(item: Any) -> str:
    key = ".".join(str(part) for part in item["loc"])
    if item["type"] == "value_error":
        return f"{key}: {item['ctx']['error']}"
    return f"{key}: {item['msg']}"
