"""What treatments are made of: material, depth and weight."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from raysim.errors import SceneError
from raysim.scene.complaints import Complaints
from raysim.scene.data import Material
from raysim.scene.finishes import Finishes
from raysim.scene.layered import layered_material
from raysim.scene.schema import MaterialSection, TreatmentSection
from raysim.surfaces.construction import Construction
from raysim.surfaces.layers import Fabric, Gap, Layer, Mass, Porous

_DENSITY = re.compile(r"([0-9.]+)\s*kg/m3")


@dataclass(frozen=True)
class Lining:
    """Material of a treatment, its depth, the air behind it, and its mass per area.

    `area_density` is in kg/m2, `density` in kg/m3 of what is solid; None where a layer doesn't
    say. `unsaid` are the layers that don't.
    """

    material: Material
    thickness_m: float
    gap_m: float
    area_density: float | None
    unsaid: tuple[str, ...] = ()

    @property
    def density(self) -> float | None:
        """Mean over the depth, kg/m3."""
        return None if self.area_density is None else self.area_density / self.thickness_m


def lining(
    name: str,
    section: TreatmentSection,
    finishes: Finishes,
    complaints: Complaints,
    free: bool = False,
) -> Lining | None:
    """Lining of a treatment; None after a complaint.

    The faces of an object (`free`) absorb as its layers do on a hard back: what lies between it
    and the wall is part of the room.

    Air behind ('gap') belongs to the layers and changes what they absorb; what a material of
    coefficients absorbs already holds for its mounting, so there it changes the place only.
    """
    path = ("treatments", name)
    if (section.material is None) == (section.layers is None):
        complaints.add(path, "give what it is made of: one of 'material' and 'layers'")
        return None
    if section.layers is not None:
        return _of_layers(name, section, section.layers, None, finishes, complaints, free)
    assert section.material is not None
    material = finishes.find(section.material, (*path, "material"))
    if material is None:
        return None
    if material.construction is not None:
        texts = material.construction.texts
        return _of_layers(name, section, texts, material, finishes, complaints, free)
    if section.thickness is None:
        complaints.add(
            path,
            f"the material '{section.material}' has no layers, so its depth isn't known; give "
            "'thickness'",
        )
        return None
    if section.gap > 0 and not free:
        finishes.notes.append(
            f"treatments.{name}: 'gap' changes the place of it only: what "
            f"'{section.material}' absorbs is given for the mounting it was measured in"
        )
    gap_m = 0.0 if free else section.gap
    return Lining(material, section.thickness, gap_m, None, (section.material,))


def _of_layers(
    name: str,
    section: TreatmentSection,
    texts: Sequence[str],
    material: Material | None,
    finishes: Finishes,
    complaints: Complaints,
    free: bool,
) -> Lining | None:
    path = ("treatments", name)
    if section.thickness is not None:
        complaints.add(
            (*path, "thickness"), "it follows from the layers; take it out, or change a layer"
        )
        return None
    if section.gap > 0 and not free:
        if texts[-1:] and texts[-1].split()[0] in ("gap", "open", "rigid"):
            complaints.add(
                (*path, "gap"),
                f"its layers end with '{texts[-1]}' already; say the air behind once",
            )
            return None
        texts = [*texts, f"gap {1000 * section.gap:g}mm"]
        material = None
    if material is None:
        material = _computed(name, section, texts, finishes, complaints)
    if material is None:
        return None
    assert material.construction is not None
    return _weighed(material, material.construction)


def _computed(
    name: str,
    section: TreatmentSection,
    texts: Sequence[str],
    finishes: Finishes,
    complaints: Complaints,
) -> Material | None:
    """Material of the layers, named by them; the same layers are one material."""
    called = ", ".join(texts)
    if section.material is None and called in finishes.known:
        return finishes.known[called]
    scattering = None
    base = None if section.material is None else finishes.known.get(section.material)
    if base is not None:
        scattering = base.scattering
    try:
        made = layered_material(
            name,
            MaterialSection.model_validate({"layers": list(texts)}),
            finishes.bands,
            finishes.climate,
            scattering,
            None,
        )
    except SceneError as error:
        said = [s.replace("materials.", "treatments.", 1) for s in error.complaints]
        complaints.adopt(SceneError(said))
        return None
    made = replace(made, name=called)
    if base is None:
        finishes.known[called] = made
    return made


def _weighed(material: Material, construction: Construction) -> Lining:
    layers = list(construction.layers)
    gap = 0.0
    while layers and isinstance(last := layers[-1], Gap):
        gap += last.thickness
        layers.pop()
    texts = construction.texts[: len(layers)]
    masses = [_area_density(one, text) for one, text in zip(layers, texts, strict=True)]
    unsaid = tuple(text for text, mass in zip(texts, masses, strict=True) if mass is None)
    thickness = sum(getattr(one, "thickness", 0.0) for one in layers)
    known = None if unsaid else sum(mass or 0.0 for mass in masses)
    return Lining(material, max(thickness, 1e-3), gap, known, unsaid)


def _area_density(layer: Layer, text: str) -> float | None:
    """Mass per area of a layer, kg/m2; None where its text doesn't say. Held cloth counts 0."""
    if isinstance(layer, Mass):
        return layer.area_density
    if isinstance(layer, Fabric):
        return layer.area_density or 0.0
    if isinstance(layer, Gap):
        return 0.0
    if isinstance(layer, Porous) and (density := _DENSITY.search(text)):
        return layer.thickness * float(density[1])
    return None
