"""Which treatments are volumes of porous stuff for waves, and what they are filled with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from raysim.errors import SceneError
from raysim.scene.data import Material, Scene, Variant
from raysim.scene.variants import Group, groups_of
from raysim.surfaces.filling import facing_admittance, porous_filling
from raysim.waves.bodies import SLACK, Filling

Array = NDArray[np.float64]

THINNEST_M = 0.05


@dataclass(frozen=True)
class Bodies:
    """Groups of variants for the bass, and which treatments of each variant are volumes.

    Attributes
    ----------
    groups : tuple of Group
        Variants with volumes only are in the group of the room without them.
    filled : dict of variant to tuple of int
        Indices into `Scene.treatments`.
    notes : dict of variant to list of str
    """

    groups: tuple[Group, ...]
    filled: dict[str, tuple[int, ...]]
    notes: dict[str, list[str]]

    def of(self, numbers: Sequence[int]) -> tuple[int, ...]:
        """All volumes of groups by number, each once."""
        names = [name for n in numbers for name in self.groups[n].variants]
        return tuple(dict.fromkeys(k for name in names for k in self.filled.get(name, ())))


def bodies_of(scene: Scene, names: Sequence[str] | None) -> Bodies:
    """Choose: traps, clouds and screens of one porous stuff 50 mm thick or more are volumes.

    Faces of them all react to sound from all sides and together, which an admittance on each
    can't. Where a variant has another object too, all of its objects are their faces.
    """
    filled: dict[str, tuple[int, ...]] = {}
    notes: dict[str, list[str]] = {}
    variants = []
    for variant in scene.variants:
        objects = [k for k in variant.treatments if scene.treatments[k].is_object]
        refused = {scene.treatments[k].section: _why_not(scene, k) for k in objects}
        refused = {name: why for name, why in refused.items() if why}
        if objects and not refused:
            filled[variant.name] = tuple(objects)
            variant = replace(variant, shell=-1)
        notes[variant.name] = _said(scene, variant, objects, refused)
        variants.append(variant)
    return Bodies(groups_of(replace(scene, variants=tuple(variants)), names), filled, notes)


def _said(
    scene: Scene, variant: Variant, objects: Sequence[int], refused: dict[str, str]
) -> list[str]:
    if not objects:
        return []
    sections = dict.fromkeys(scene.treatments[k].section for k in objects)
    if not refused:
        return [
            f"{variant.name}: {', '.join(sections)} filled with porous stuff whose frame stands "
            "still, as volumes"
        ]
    why = "; ".join(f"{name}: {reason}" for name, reason in refused.items())
    return [f"{variant.name}: {', '.join(sections)} react locally at their faces ({why})"]


def _why_not(scene: Scene, treatment: int) -> str:
    own = scene.treatments[treatment]
    construction = scene.materials[own.material].construction
    if construction is None:
        return "its material has coefficients only"
    porous, why = porous_filling(construction)
    if porous is None:
        return why
    thickness = thickness_of(own.corners)
    if thickness < THINNEST_M - 1e-6:
        return f"it is {1000 * thickness:.0f} mm thick, less than {1000 * THINNEST_M:.0f} mm"
    return ""


def thickness_of(corners: Array) -> float:
    """Least width of a convex body between parallel planes along one of its faces, m."""
    normals = ConvexHull(corners).equations[:, :3]
    return float(np.ptp(corners @ normals.T, axis=0).min())


def fillings_of(
    scene: Scene, treatments: Sequence[int], bodies: Sequence[int], f: Array
) -> list[Filling]:
    """What treatments are filled with at frequencies (F,).

    Parameters
    ----------
    treatments : sequence of int
        Indices into `Scene.treatments`.
    bodies : sequence of int
        All that are bodies of the mesh, in its order.

    Raises
    ------
    SceneError
        A porous model that gives none at a frequency, or sound where there is none.
    """
    return [
        _filling(scene.materials[scene.treatments[k].material], scene, bodies.index(k), f)
        for k in treatments
    ]


def _filling(material: Material, scene: Scene, body: int, f: Array) -> Filling:
    assert material.construction is not None
    layers, air = material.construction.for_low_frequency(), scene.climate.air
    porous, _ = porous_filling(layers)
    assert porous is not None
    medium = porous.medium(f, air)
    lightness = air.density / medium.density
    softness = air.density * air.speed_of_sound**2 / medium.bulk_modulus
    bad = ~np.isfinite(lightness + softness) | (lightness.imag < -SLACK) | (softness.imag > SLACK)
    if bad.any():
        raise SceneError(
            f"material '{material.name}': its porous model gives nothing possible at "
            f"{f[np.flatnonzero(bad)[0]]:.0f} Hz; use another, or run with --no-bass"
        )
    return Filling(body, lightness, softness, facing_admittance(layers, f, air))
