"""What isn't known, and which look or measurement would narrow it."""

from __future__ import annotations

import re

from raysim.bands import band_name
from raysim.quantities.unknowns import Unknown, find_unknowns
from raysim.scene.data import Material, Scene

MOST = 3


def unknown_words(scene: Scene) -> list[str]:
    """One sentence for each of the materials that leave most of the decay time open."""
    return [_sentence(scene, one) for one in find_unknowns(scene)[:MOST]]


def _sentence(scene: Scene, one: Unknown) -> str:
    material = scene.materials[one.material]
    shorter, longer = 100 * (1 - one.shortest), 100 * (one.longest - 1)
    return (
        f"“{material.name}” alone leaves the decay time at {band_name(one.band_hz)} open from "
        f"{shorter:.0f} % shorter to {longer:.0f} % longer (Eyring's formula). {_cure(material)}"
    )


def _cure(material: Material) -> str:
    if re.search(r"\bunknown\b", material.name):
        return "Knock on it, look behind a socket, or ask who built it: a name narrows it most."
    if material.construction is not None:
        return "Ask the maker for the flow resistivity, measured, not taken from the density."
    return "A measured decay in this room, in that band, would narrow it."
