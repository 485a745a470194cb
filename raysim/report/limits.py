"""What the method leaves out, in words."""

from __future__ import annotations

from raysim.quantities import transition
from raysim.report.words import all_of, nearest_five
from raysim.results.data import Result
from raysim.scene.data import Scene
from raysim.scene.playing import not_counted
from raysim.scene.sizes import STATED_RANGE_M3


def limits(result: Result, variant: int) -> list[str]:
    """What the method leaves out."""
    scene = result.scene
    frequency = nearest_five(float(transition(result).frequency_hz[variant]))
    found = [
        _of_bass(result, frequency),
        *_of_loudspeakers(scene),
        _of_angles(scene),
        "Sound bending around edges (diffraction) is not modelled; small objects and the edges of "
        "a desk reflect less at low frequencies than drawn.",
        f"Mirror reflections are exact up to {result.image_order} surfaces met, and beyond where "
        "rays find them; all other sound is estimated with rays, and carries the ± of the tables.",
        "Nothing here is about sound passing to or from neighbours.",
    ]
    low, high = STATED_RANGE_M3
    if not low <= scene.volume <= high:
        found.insert(
            0,
            f"The room has {scene.volume:.0f} m³; raysim is made and checked for "
            f"{low:g} to {high:g} m³.",
        )
    if result.lost_rays:
        found.append(
            f"{result.lost_rays} rays were lost in {result.reflection_count:.2g} reflections: the "
            "mesh may not be tight everywhere."
        )
    return found


def _of_loudspeakers(scene: Scene) -> list[str]:
    """What is left out of the sources."""
    plain = [source.name for source in scene.sources if source.directivity is None]
    found = []
    if len(plain) < len(scene.sources):
        found.append(
            "Loudspeakers are points with the directivity shown, flat on their axis; their "
            "cabinets are no obstacles, and drivers above each other don't interfere."
        )
    if plain:
        who = (
            "Loudspeakers are points that radiate alike in all directions"
            if len(plain) == len(scene.sources)
            else f"Taken as points that radiate alike in all directions: {all_of(plain)}"
        )
        found.append(
            f"{who}; a real one sends less to the rear, so reflections off the front surface are "
            "weaker than shown."
        )
    return found + [f"{sentence}." for sentence in not_counted(scene)]


def _of_angles(scene: Scene) -> str:
    """At which surfaces the angle of incidence counts."""
    kinds = {material.construction is not None for material in scene.materials}
    marked = "Numbers from memory or judgement are marked so."
    if kinds == {True}:
        return (
            "Absorption is that of the layers at each angle of incidence; scattering coefficients "
            f"are averages over directions. {marked}"
        )
    alike = "averages over directions and are used at every angle alike"
    if kinds == {False}:
        return f"Absorption and scattering coefficients are {alike}. {marked}"
    return (
        f"Coefficients are {alike}, but for the absorption of layered materials, which is that of "
        f"each angle of incidence. {marked}"
    )


def _of_bass(result: Result, frequency: str) -> str:
    if result.bass is None:
        return f"Bass below about {frequency} Hz: room modes, boundary notches and how they decay."
    return (
        "In the bass each point of a surface answers to the pressure there alone, and absorption "
        "coefficients say nothing of phase: real notches and modes lie some percent off, and decay "
        "times are as uncertain as the absorption."
    )
