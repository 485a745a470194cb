"""Layers as people write them: "porous 100mm 12000", "gap 50mm".

A layer is its word, then its thickness, then what it is made of; docs/formats/scene.md lists all
that may follow.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from difflib import get_close_matches

from raysim.errors import SceneError
from raysim.surfaces.construction import Construction
from raysim.surfaces.layers import Fabric, Gap, Layer, Mass, Perforated, Porous, Slotted
from raysim.surfaces.porous import ONE_PARAMETER, STUFFS, Pores, flow_resistivity
from raysim.surfaces.words import (
    DENSITY,
    NUMBER,
    PERCENT,
    SURFACE_DENSITY,
    Words,
)

EXAMPLES = {
    "porous": "porous 100mm 12000",
    "gap": "gap 50mm",
    "perforated": "perforated 6mm holes 5mm open 10%",
    "microperforated": "microperforated 0.5mm holes 0.3mm open 1%",
    "slotted": "slotted 18mm slots 5mm every 60mm",
    "panel": "panel 6mm 600kg/m3",
    "membrane": "membrane 3kg/m2",
    "film": "film 30um",
    "fabric": "fabric 300",
    "open": "open",
    "rigid": "rigid",
}
RESISTIVITY_LIMITS = (500.0, 1e6)
RESISTANCE_LIMITS = (1.0, 1e5)
THICKEST_M, DEEPEST_GAP_M, THICKEST_SHEET_M = 2.0, 3.0, 0.1
MICRO_DIAMETER_M = 1.0e-3
PANEL_LOSS, MEMBRANE_LOSS = 0.05, 0.15
PLASTIC_DENSITY = 950.0


def parse_layers(texts: Sequence[str], where: str) -> Construction:
    """Construction from its layers, front first.

    Parameters
    ----------
    texts : sequence of str
        One layer each, as in `EXAMPLES`; 'open' or 'rigid' may come last.
    where : str
        Name of the place for complaints, for example 'materials.panel.layers'.

    Returns
    -------
    Construction

    Raises
    ------
    SceneError
        With every complaint: unknown words, impossible values, missing or extra ones, layers in
        an order that can't be built.
    """
    complaints: list[str] = []
    read: list[Layer | str | None] = []
    for text in texts:
        try:
            read.append(read_layer(text))
        except ValueError as fault:
            complaints.append(f"{where}: '{text}': {fault}")
            read.append(None)
    if not texts:
        complaints.append(f"{where}: there is no layer; give at least one, '{EXAMPLES['porous']}'")
    complaints += [f"{where}: {sentence}" for sentence in _out_of_order(texts, read)]
    if complaints:
        raise SceneError(complaints)
    layers = tuple(layer for layer in read if layer is not None and not isinstance(layer, str))
    backing = "open" if read[-1] == "open" else "rigid"
    return Construction(layers, backing, tuple(" ".join(text.split()) for text in texts))


def read_layer(text: object) -> Layer | str:
    """One layer, or the word 'open' or 'rigid'.

    Raises
    ------
    ValueError
        One sentence: what is wrong; what would be right.
    """
    if not isinstance(text, str) or not text.strip():
        raise ValueError("a layer is text; write it in quotes, 'gap 50mm'")
    words = Words(text)
    first = words.take()
    reader = _READERS.get(first)
    if reader is None:
        near = get_close_matches(first, EXAMPLES, n=1, cutoff=0.6)
        known = ", ".join(EXAMPLES)
        cure = f"did you mean '{near[0]}'?" if near else f"a layer begins with one of {known}"
        raise ValueError(f"unknown layer '{first}'; {cure}")
    words.example = EXAMPLES[first]
    layer = reader(words)
    words.end()
    return layer


def _porous(words: Words) -> Porous:
    thickness = words.length("thickness", THICKEST_M)
    stuff = words.one_of(("foam", *STUFFS))
    density = words.quantity_if(DENSITY)
    if density is not None:
        resistivity = _from_density(words, stuff, density)
    else:
        resistivity = words.quantity(NUMBER, "flow resistivity (Pa s/m2, a bare number)")
    low, high = RESISTIVITY_LIMITS
    if not low <= resistivity <= high:
        how = " (from the density)" if density is not None else ""
        raise ValueError(
            f"a flow resistivity of {resistivity:.0f} Pa s/m2{how} is outside {low:.0f} to "
            f"{high:.0f}; wools and foams have 2000 to 80000"
        )
    pores = _pores(words)
    model = "jca" if pores else "miki"
    if words.word_if("by"):
        model = words.choose(tuple(ONE_PARAMETER), "model")
        if pores:
            raise ValueError("'by' doesn't go with 'porosity'; take one of them out")
    partitioned = words.word_if("partitioned")
    return Porous(thickness, resistivity, model, pores, partitioned, stuff, density is not None)


def _from_density(words: Words, stuff: str, density: float) -> float:
    if stuff not in STUFFS:
        raise ValueError(
            "a density says nothing of foam; give its flow resistivity in Pa s/m2, commonly 5000 "
            "to 20000"
            if stuff == "foam"
            else "a density needs what it is of, such as 'glass wool 40kg/m3'; or give the flow "
            "resistivity in Pa s/m2"
        )
    low, high = STUFFS[stuff].densities
    if not low <= density <= high:
        raise ValueError(
            f"{density:g} kg/m3 is outside {low:g} to {high:g} kg/m3, for which the flow "
            f"resistivity of {stuff} is known; give it in Pa s/m2 instead"
        )
    diameter = words.length("fibre's diameter", 1e-3) if words.word_if("fibre") else None
    return flow_resistivity(stuff, density, diameter)


def _pores(words: Words) -> Pores | None:
    if not words.word_if("porosity"):
        return None
    porosity = words.quantity(NUMBER, "porosity (0 to 1)")
    words.need("tortuosity")
    tortuosity = words.quantity(NUMBER, "tortuosity (1 or more)")
    words.need("lengths")
    viscous = words.length("viscous length", 0.01)
    thermal = words.length("thermal length", 0.01)
    if not 0.1 <= porosity < 1:
        raise ValueError(f"a porosity of {porosity:g} is outside 0.1 to below 1")
    if not 1 <= tortuosity <= 10:
        raise ValueError(f"a tortuosity of {tortuosity:g} is outside 1 to 10")
    if thermal < viscous:
        raise ValueError(
            "the thermal length is shorter than the viscous one, which no pore has; give the "
            "viscous length first (some tables have them swapped)"
        )
    return Pores(porosity, tortuosity, viscous, thermal)


def _gap(words: Words) -> Gap:
    depth = words.length("depth", DEEPEST_GAP_M)
    return Gap(depth, words.word_if("partitioned"))


def _perforated(words: Words) -> Perforated:
    thickness = words.length("thickness", THICKEST_SHEET_M)
    words.need("holes")
    diameter = words.length("diameter of the holes", 0.2)
    if words.word_if("every"):
        spacing = words.length("spacing", 1.0)
        if spacing <= diameter:
            raise ValueError("the holes are closer than they are wide; give a larger spacing")
        # Squares; staggered holes sit in equilateral triangles, 2/sqrt(3) denser.
        share = 0.785398163 * (diameter / spacing) ** 2
        share *= 1.154700538 if words.word_if("staggered") else 1.0
    else:
        share = _open(words)
    if share > 0.7:
        raise ValueError(f"{100 * share:.0f} % open is not a perforated sheet; give at most 70 %")
    return Perforated(thickness, diameter, share)


def _microperforated(words: Words) -> Perforated:
    layer = _perforated(words)
    if layer.diameter > MICRO_DIAMETER_M:
        raise ValueError(
            f"holes of {1e3 * layer.diameter:g} mm are not micro-perforation; give at most 1 mm, "
            "or write 'perforated'"
        )
    return layer


def _slotted(words: Words) -> Slotted:
    thickness = words.length("thickness", THICKEST_SHEET_M)
    words.need("slots")
    width = words.length("width of the slots", 0.2)
    if words.word_if("every"):
        spacing = words.length("spacing", 1.0)
        if spacing <= width:
            raise ValueError("the slots are closer than they are wide; give a larger spacing")
        return Slotted(thickness, width, width / spacing)
    return Slotted(thickness, width, _open(words))


def _open(words: Words) -> float:
    words.need("open", "every")
    percent = words.quantity(PERCENT, "open area in percent")
    if not 0.05 <= percent <= 95:
        raise ValueError(f"{percent:g} % open is outside 0.05 to 95 %")
    return percent / 100


def _loss(words: Words, otherwise: float) -> float:
    if not words.word_if("loss"):
        return otherwise
    loss = words.quantity(NUMBER, "loss factor")
    if not 0 <= loss <= 2:
        raise ValueError(f"a loss factor of {loss:g} is outside 0 to 2; panels have 0.01 to 0.1")
    return loss


def _panel(words: Words) -> Mass:
    thickness = words.length("thickness", THICKEST_SHEET_M)
    density = words.quantity(DENSITY, "density in kg/m3")
    if not 10 <= density <= 12000:
        raise ValueError(f"{density:g} kg/m3 is outside 10 to 12000 kg/m3; wood has 400 to 800")
    return Mass(thickness * density, _loss(words, PANEL_LOSS), "panel", thickness)


def _membrane(words: Words) -> Mass:
    area_density = words.quantity(SURFACE_DENSITY, "mass in kg/m2")
    _check_mass(area_density)
    return Mass(area_density, _loss(words, MEMBRANE_LOSS), "membrane")


def _film(words: Words) -> Mass:
    thickness = words.length("thickness", 5e-3)
    density = words.quantity_if(DENSITY) or PLASTIC_DENSITY
    return Mass(thickness * density, 0.0, "film", thickness)


def _fabric(words: Words) -> Fabric:
    resistance = words.quantity(NUMBER, "flow resistance (Pa s/m, a bare number)")
    low, high = RESISTANCE_LIMITS
    if not low <= resistance <= high:
        raise ValueError(
            f"a flow resistance of {resistance:g} Pa s/m is outside {low:g} to {high:g}; "
            "cloths for absorbers have 20 to 1000"
        )
    area_density = words.quantity_if(SURFACE_DENSITY)
    if area_density is not None:
        _check_mass(area_density)
    return Fabric(resistance, area_density)


def _check_mass(area_density: float) -> None:
    if not 1e-3 <= area_density <= 200:
        raise ValueError(f"{area_density:g} kg/m2 is outside 0.001 to 200 kg/m2")


_READERS: dict[str, Callable[[Words], Layer | str]] = {
    "porous": _porous,
    "gap": _gap,
    "perforated": _perforated,
    "microperforated": _microperforated,
    "slotted": _slotted,
    "panel": _panel,
    "membrane": _membrane,
    "film": _film,
    "fabric": _fabric,
    "open": lambda _words: "open",
    "rigid": lambda _words: "rigid",
}


def _out_of_order(texts: Sequence[str], read: Sequence[Layer | str | None]) -> list[str]:
    """Sentences about layers that can't stand where they do; unread layers are let be."""
    said = []
    for n, layer in enumerate(read):
        before = read[n - 1] if n else None
        text = texts[n]
        if isinstance(layer, str) and n + 1 < len(read):
            said.append(f"'{layer}' is what is behind the last layer; put it last")
        elif isinstance(layer, str) and n == 0:
            said.append(f"there is no layer in front of '{layer}'; give at least one")
        if isinstance(layer, Gap) and n == 0:
            said.append(
                f"'{text}' is in front of everything, where there is air anyway; put it behind "
                "the layer that it keeps off the wall (front first)"
            )
        if isinstance(layer, Gap) and isinstance(before, Gap):
            both = 1e3 * (layer.thickness + before.thickness)
            said.append(f"'{texts[n - 1]}', '{text}': two gaps in a row; write 'gap {both:g}mm'")
        if layer == "open" and isinstance(before, Gap):
            said.append(f"'{texts[n - 1]}' before 'open' is a gap to nowhere; take it out")
        last = n + 1 == len(read) or (n + 2 == len(read) and read[n + 1] == "rigid")
        if last and layer is not None and not isinstance(layer, Porous | Gap | str):
            said.append(
                f"'{text}' lies on the rigid wall, where it can't do anything; put a gap or a "
                "porous layer behind it, or 'open' if there is free air"
            )
    return said
