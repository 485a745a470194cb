"""What waves meet at the boundary: patches of one material in every variant, and admittances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.air import Climate
from raysim.bands import exact_midband_hz
from raysim.errors import SceneError
from raysim.scene.data import Material, Scene
from raysim.scene.variants import Cover, Group
from raysim.surfaces.admittance import admittance_by_frequency, most_absorbing
from raysim.surfaces.construction import Construction
from raysim.waves.tags import triangle_at
from raysim.waves.tetrahedra import ENVELOPE_M

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Complex = NDArray[np.complex128]

SAMPLE_M = 0.03
MOST_SAMPLES = 100  # along an edge of a triangle
NORMAL = np.array([1.0])
# Frequencies and angles at which local reaction is judged, and what is not worth a word.
NOTED, ANGLES, LOCAL_TOLERANCE = 12, 12, 0.05


@dataclass(frozen=True)
class Patches:
    """Parts of the boundary that have one material in each variant of a group.

    Attributes
    ----------
    materials : (patches, variants) int
        Index into `Scene.materials`.
    areas : (patches,) float, m2
    walls : (patches,) int
        Material of the surface itself, under whatever covers it.
    """

    group: Group
    materials: Ints
    areas: Array
    walls: Ints

    def at(self, points: Array, triangle: Ints) -> Ints:
        """Patch of each boundary point (n, 3), near a triangle (n,) of the scene's mesh."""
        mesh = self.group.scene.mesh
        on = triangle_at(points, triangle, mesh.corners, 2 * ENVELOPE_M)
        found = _materials_at(self.group, points, on)
        rows = np.column_stack([self.walls, self.materials])
        index = {tuple(row): n for n, row in enumerate(rows.tolist())}
        keys, inverse = np.unique(found, axis=0, return_inverse=True)
        number = np.array([index.get(tuple(key), 0) for key in keys.tolist()])
        return np.asarray(number[inverse.reshape(-1)])


def patches_of(group: Group) -> Patches:
    """Find the patches; treated surfaces are sampled every 3 cm."""
    points, triangle, area = _samples(group)
    found = _materials_at(group, points, triangle)
    keys, inverse = np.unique(found, axis=0, return_inverse=True)
    areas = np.bincount(inverse.reshape(-1), weights=area, minlength=len(keys))
    return Patches(group, keys[:, 1:], np.asarray(areas, np.float64), keys[:, 0])


def _samples(group: Group) -> tuple[Array, Ints, Array]:
    """Points on triangles, the triangle of each and the area that each stands for."""
    mesh = group.scene.mesh
    corners = mesh.corners
    edges = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2).max(axis=1)
    treated = np.isin(mesh.facet, [c.facet for own in group.covers for c in own])
    count = np.where(treated, np.ceil(edges / SAMPLE_M), 1).astype(int)
    count = np.minimum(count, MOST_SAMPLES)
    points, owners, areas = [], [], []
    for number in np.unique(count):
        own = np.flatnonzero(count == number)
        weights = _middles(int(number))
        points.append(np.einsum("sk,tkx->tsx", weights, corners[own]).reshape(-1, 3))
        owners.append(np.repeat(own, len(weights)))
        areas.append(np.repeat(mesh.areas[own] / len(weights), len(weights)))
    return np.concatenate(points), np.concatenate(owners), np.concatenate(areas)


def _middles(number: int) -> Array:
    """(number^2, 3) barycentric middles of equal parts of a triangle."""
    i, j = (grid.ravel() for grid in np.indices((number, number)))
    upright, turned = i + j < number, i + j < number - 1
    a = np.concatenate([(i + 1 / 3)[upright], (i + 2 / 3)[turned]]) / number
    b = np.concatenate([(j + 1 / 3)[upright], (j + 2 / 3)[turned]]) / number
    return np.column_stack([1 - a - b, a, b])


def _materials_at(group: Group, points: Array, triangle: Ints) -> Ints:
    """(points, 1 + variants) materials: the surface's, then that of the last cover in each."""
    scene = group.scene
    own = np.array([s.material for s in scene.surfaces])[scene.mesh.surface[triangle]]
    found = np.repeat(own[:, None], 1 + len(group.variants), axis=1)
    facet = scene.mesh.facet[triangle]
    for variant, covers in enumerate(group.covers, start=1):
        for cover in covers:
            on = np.flatnonzero(facet == cover.facet)
            found[on[_within(scene, cover, points[on])], variant] = cover.material
    return found


def _within(scene: Scene, cover: Cover, points: Array) -> NDArray[np.bool_]:
    place = scene.facets[cover.facet].to_plane(points)
    low, high = np.array(cover.rect[:2]), np.array(cover.rect[2:])
    return np.asarray(((place >= low) & (place <= high)).all(axis=1))


def admittance_of(
    material: Material, scene: Scene, frequencies_hz: Array, wall: Material | None = None
) -> tuple[Complex, list[str]]:
    """Admittance of a material, times rho0 c0, and what was assumed, in sentences.

    Layers give the complex admittance for sound along the normal, with the porous model that
    has the right limit at low frequency. Those of a cover have the wall behind that they hang
    on, which goes on absorbing through them. Coefficients give the real admittance that absorbs as
    much at random incidence, by straight lines over the logarithm of frequency, and constant
    below the lowest band.

    Raises
    ------
    SceneError
        A model that refuses a frequency, or an admittance with a negative real part.
    """
    if material.construction is not None:
        layers = material.construction.for_low_frequency()
        behind: Complex | float = 0.0
        if wall is not None and wall is not material:
            behind = admittance_of(wall, scene, frequencies_hz)[0]
        beta = layers.surface_admittance(frequencies_hz, NORMAL, scene.climate, behind)[:, 0]
        bad = np.flatnonzero(~np.isfinite(beta) | (beta.real < -1e-9))
        if len(bad):
            raise SceneError(
                f"material '{material.name}': its layers have no possible impedance at "
                f"{frequencies_hz[bad[0]]:.0f} Hz; use another porous model, or run with --no-bass"
            )
        said = _local_reaction_note(
            material.name, layers, beta, frequencies_hz, scene.climate, behind
        )
        return np.maximum(beta.real, 0) + 1j * beta.imag, said
    most = most_absorbing()[0] * (1 - 1e-6)
    notes = []
    if (material.absorption > most).any():
        notes.append(
            f"material '{material.name}' absorbs more than the {most:.2f} that a surface can "
            "which reacts locally; the bass takes that"
        )
    midbands = [exact_midband_hz(f) for f in scene.bands_hz]
    at = admittance_by_frequency(material.absorption, midbands, frequencies_hz)
    return at.astype(np.complex128), notes


def _local_reaction_note(
    name: str,
    layers: Construction,
    beta: Complex,
    frequencies_hz: Array,
    climate: Climate,
    behind: Complex | float,
) -> list[str]:
    """Say where one admittance for all angles absorbs otherwise than the layers themselves do."""
    at = np.unique(np.linspace(0, len(frequencies_hz) - 1, NOTED).astype(int))
    nodes, weights = np.polynomial.legendre.leggauss(ANGLES)
    cosine = (nodes + 1) / 2
    backed = behind[at] if isinstance(behind, np.ndarray) else behind
    full = layers.surface_admittance(frequencies_hz[at], cosine, climate, backed)
    absorbed = [
        (4 * b.real * cosine / np.abs(cosine + b) ** 2 * cosine) @ weights
        for b in (beta[at, None], full)
    ]
    off = absorbed[0] - absorbed[1]
    worst = int(np.argmax(np.abs(off)))
    if np.abs(off[worst]) <= LOCAL_TOLERANCE:
        return []
    return [
        f"material '{name}' carries sound along itself, which the bass leaves out: at "
        f"{frequencies_hz[at[worst]]:.0f} Hz it is taken to absorb {absorbed[0][worst]:.2f} at "
        f"random incidence instead of {absorbed[1][worst]:.2f}"
    ]


def admittances_of(
    patches: Patches, variant: int, frequencies_hz: Array
) -> tuple[Complex, list[str]]:
    """(patches, frequencies) of a variant by its number in the group, and what was assumed."""
    scene, notes = patches.group.scene, []
    rows: dict[tuple[int, int], Complex] = {}
    pairs = list(zip(patches.materials[:, variant].tolist(), patches.walls.tolist(), strict=True))
    for own, wall in sorted(set(pairs)):
        materials = scene.materials
        rows[own, wall], said = admittance_of(
            materials[own], scene, frequencies_hz, materials[wall]
        )
        notes += said
    return np.array([rows[pair] for pair in pairs]), list(dict.fromkeys(notes))


def coefficients_note(scene: Scene, used: Sequence[int]) -> str:
    """One sentence on materials without layers; empty where there are none."""
    plain = {m for m in used if scene.materials[m].construction is None}
    if not plain:
        return ""
    lowest = scene.bands_hz[0]
    return (
        f"of {len(used)} materials {len(plain)} have absorption coefficients only: their "
        f"admittance is taken as real, and below {lowest:g} Hz as at {lowest:g} Hz"
    )
