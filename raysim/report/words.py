"""What a report says in plain words, made from its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

import numpy as np

from raysim import digits
from raysim.bands import band_name
from raysim.estimate import Estimate
from raysim.quantities import (
    QUANTITIES,
    average,
    check_all,
    diffuse_field,
    mean_bass_decay,
    states_decay,
    transition,
)
from raysim.quantities.reflections import criterion_bands, level_range_db
from raysim.report.listed import Listed, delay_in_words
from raysim.results.data import Result
from raysim.scene.data import Scene
from raysim.theory import criteria
from raysim.theory.tape import volume_sensitivity_m2
from raysim.units import counted

MIDDLE_BANDS_HZ = (500.0, 1000.0)
NO_RANGE = 1.005
NO_RANGE_DB = 0.05


def summary(result: Result, worst: str, variant: int) -> list[str]:
    """Three paragraphs: how long sound lasts, the worst reflection, what is not answered."""
    return [_decay(result, variant), worst, _not_answered(result, variant)]


def _decay(result: Result, variant: int) -> str:
    scene = result.scene
    bands = [f for f in MIDDLE_BANDS_HZ if f in scene.bands_hz] or list(scene.bands_hz)
    mean = average(result, "T20", bands)
    where = " and ".join(band_name(f) for f in bands) if len(bands) <= 2 else "all bands"
    if mean.reason[variant]:
        return f"No decay time can be given for {where}: {mean.reason[variant]}."
    value, error = float(mean.value[variant]), float(mean.standard_error[variant])
    number, plus_minus = digits.rounded(value, error)
    field = diffuse_field(scene, result.variants[variant])
    chosen = [scene.bands_hz.index(f) for f in bands]
    low, high = value * field.shorter[chosen].mean(), value * field.longer[chosen].mean()
    if field.longer[chosen].max() < NO_RANGE and field.shorter[chosen].min() > 1 / NO_RANGE:
        materials = "the materials are given without a range, so what they leave open is not known."
    else:
        materials = (
            "the materials are known less well, and within their ranges it could be "
            f"{low:.2f} to {high:.2f} s."
        )
    return (
        f"A sound that stops takes {number} ± {plus_minus} s to die away by 60 dB (mean of "
        f"{where}). The ± is what the computation leaves open; {materials} "
        + _against_guide(result, variant)
    )


def _against_guide(result: Result, variant: int) -> str:
    """Where the decay time is longer or shorter than the guide's tolerance by band."""
    judged: dict[str, str] = {}
    for check in check_all(result):
        where, sense = check.criterion.rsplit(", ", 1)
        if check.variant != result.variants[variant] or not where.startswith("decay time at "):
            continue
        band = where.removeprefix("decay time at ")
        if check.verdict == "not met":
            judged[band] = "longer than" if sense == "at most" else "shorter than"
        elif check.verdict != "not evaluated":
            words = "within" if check.verdict == "met" else "too near the edge to tell of"
            judged[band] = judged.get(band, words) if words == "within" else words
    nominal = criteria.nominal_decay_time(result.scene.volume)
    guide = f"the {nominal:.2f} s, give or take 0.05 s or more, that a guide asks of this volume"
    if not judged:
        return f"It is not judged against {guide}."
    groups: dict[str, list[str]] = {}
    for band, words in judged.items():
        groups.setdefault(words, []).append(band)
    if len(groups) == 1:
        bands = list(judged)
        span = bands[0] if len(bands) == 1 else f"every band from {bands[0]} to {bands[-1]}"
        return f"In {span} it is {next(iter(groups))} {guide}."
    parts = [f"{words} it at {_joined(bands)}" for words, bands in groups.items()]
    return f"Against {guide}, it is {'; '.join(parts)}."


def worst_reflection(result: Result, listed: Sequence[Listed], receiver: int) -> str:
    """The strongest early reflection at a receiver, and which others a guide finds too strong."""
    seat = result.scene.receivers[receiver].name
    early = [one for one in listed if one.is_early]
    judged = [one for one in early if one.is_met is not None]
    if not judged:
        return "No early reflection was judged: " + (
            "none arrives within 15 ms." if not early else "no band lies within 1 to 8 kHz."
        )
    worst = max(judged, key=lambda one: one.level_db)
    scene = result.scene
    source = scene.sources[worst.reflection.source].name
    owner = {scene.surfaces[scene.facets[f].surface].owner for f in worst.reflection.facets}
    above = [one for one in judged if not one.is_met]
    text = (
        f"The strongest early reflection comes off {all_of(worst.surfaces.split(', '))} (no. "
        f"{worst.numbered.number}): it reaches “{seat}” "
        f"{delay_in_words(scene, worst.reflection)} after the direct sound of “{source}” and is "
        f"{_weaker(worst.level_db)}{_left_open(result, worst)}. "
    )
    if owner != {"room"}:
        text += "It comes off an object, so panels on the walls will not cure it. "
    limit = -criteria.REFLECTION_LEVEL_DB
    if not above:
        return (
            text
            + f"All early reflections keep the {limit:g} dB below direct that a guide asks for."
        )
    loudest = sorted(above, key=lambda one: -one.level_db)
    names = list(dict.fromkeys(one.surfaces for one in loudest if one.reflection.order == 1))
    more = sum(one.reflection.order > 1 for one in above)
    text += f"A guide asks for {limit:g} dB or more below the direct sound in the first 15 ms; "
    if names:
        text += f"above that are the single reflections off {all_of(names)}"
        text += f", and {more} that met more than one surface." if more else "."
    else:
        text += f"above that are {more} that met more than one surface."
    return text


def _weaker(level_db: float) -> str:
    size = digits.tidy(abs(level_db), 1)
    return f"{size} dB weaker than it" if level_db <= 0 else f"{size} dB stronger than it"


def _left_open(result: Result, worst: Listed) -> str:
    """' (2.1 to 3.0 within the materials' ranges)'."""
    quiet, loud = level_range_db(result, worst.reflection)
    if loud - quiet < NO_RANGE_DB:
        return " (the materials are given without a range)"
    weaker = [digits.tidy(-level, 1) for level in (loud, quiet)]
    return f" ({weaker[0]} to {weaker[1]} within the materials' ranges)"


def all_of(names: Sequence[str]) -> str:
    """Join quoted names."""
    return _joined([f"“{name}”" for name in names])


def _joined(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _not_answered(result: Result, variant: int) -> str:
    frequency = nearest_five(float(transition(result).frequency_hz[variant]))
    beams = any(source.directivity for source in result.scene.sources)
    taken = "be flat on their axis" if beams else "radiate alike in all directions"
    bass = (
        f"the bass below about {frequency} Hz, where a room of this size rings at single notes and "
        "sound does not travel as rays; "
        if result.bass is None
        else ""
    )
    waves = (
        ""
        if result.bass is None
        else f"Below about {frequency} Hz sound does not travel as rays: see the bass, by waves. "
    )
    return (
        f"{waves}Not answered here: {bass}what passes through the walls; and the loudspeakers' own "
        f"colour, for they are taken to {taken}."
    )


def nearest_five(value: float) -> str:
    """Round to 5 Hz, as the reasons of the quantities do."""
    return f"{5 * round(value / 5)}"


def early_intro(result: Result) -> str:
    """What the levels are, and whose guide it is."""
    bands = [band_name(result.scene.bands_hz[b]) for b in criterion_bands(result.scene.bands_hz)]
    levels = (
        f"Levels are the highest of the bands {_joined(bands)}"
        if bands
        else "No band of this result lies within 1 to 8 kHz, so levels are not judged"
    )
    return (
        f"{levels}, as the materials' coefficients have them: nothing in them is sampled. Below "
        "each stands what the materials' ranges leave open, and where they cross the guide, the "
        "verdict is not sure. Guide: at least "
        f"{-criteria.REFLECTION_LEVEL_DB:g} dB below the direct sound until "
        f"{1e3 * criteria.REFLECTION_WINDOW_S:g} ms after it ({criteria.REFLECTION_SOURCE}). "
        "Single reflections come first, then the strongest that met more than one surface."
    )


def quantities_intro(result: Result) -> str:
    """What ± means and what is greyed."""
    return (
        f"± is one standard error of the computation, from {len(result.energy_batches)} "
        "independent batches of rays; what is not known of the materials comes on top and is "
        "tinted in the first chart. Greyed bands lie below the Schroeder frequency."
    )


def quantity_notes(result: Result, estimates: dict[str, Estimate], variant: int) -> list[str]:
    """Sources and doubts of the quantities."""
    change = transition(result)
    notes = [
        f"Schroeder frequency {nearest_five(float(change.frequency_hz[variant]))} Hz, from "
        f"{change.origin[variant]}: 2000 √(T/V).",
        *(_of_guide(result.scene.volume) if states_decay(result) else ()),
    ]
    if waves := mean_bass_decay(result, variant):
        listed = ", ".join(
            f"{digits.with_error(time, error)} s at {band_name(label)}"
            for label, (time, error) in waves.items()
        )
        notes.append(
            f"Below the Schroeder frequency T20 is by waves, not by rays: {listed}. That is the "
            "mean and the spread over sources, receivers and head zones."
        )
    curved = estimates["curvature"].value[variant]
    if np.any(np.nan_to_num(curved) > 10):
        notes.append("Where the curvature is above 10 % the decay is bent, and one time hides it.")
    return notes


def _of_guide(volume_m3: float) -> list[str]:
    nominal = criteria.nominal_decay_time(volume_m3)
    low, high = criteria.DECAY_RANGE_S
    said = [
        f"The hatched area is a guide for reference listening rooms, not a limit for yours: "
        f"{nominal:.2f} s ± 0.05 s from 200 Hz to 4 kHz, wider beyond ({criteria.DECAY_SOURCE})."
    ]
    if nominal < low:
        said.append(
            f"In a room this small that formula falls below the {low:g} to {high:g} s which "
            f"{criteria.DECAY_RANGE_SOURCE} asks besides; the two cannot both be kept."
        )
    return said


def terms() -> list[dict[str, str]]:
    """What the columns mean and where they are defined."""
    return [{"key": q.key, "text": f"{q.term} ({q.source})"} for q in QUANTITIES.values()]


def plausibility(result: Result, variant: int) -> tuple[str, str]:
    """Introduction and note of the diffuse-field estimates."""
    scene = result.scene
    field = diffuse_field(scene, result.variants[variant])
    frequency = nearest_five(float(transition(result).frequency_hz[variant]))
    return (
        "Closed formulas for a perfectly even sound field, to catch gross mistakes. They are not "
        f"the prediction. Mean free path 4V/S {field.mean_free_path_m:.2f} m; Schroeder frequency "
        f"{frequency} Hz; volume {scene.volume:.1f} m³; surface {scene.area:.0f} m².",
        "Input range: by how much the decay time may be shorter or longer for what is not known "
        "of the absorption; each material moved alone within its range through Eyring's formula, "
        "changes added as independent errors. A traced decay far outside these numbers is no "
        "error where absorption is uneven, but deserves a look. Critical distance: where on a "
        "source's axis its direct sound equals the even field, with its directivity index; of "
        "several sources the least and the most.",
    )


def facts(result: Result) -> str:
    """One line under the title."""
    scene = result.scene
    return (
        f"{_volume(scene)} m³, {counted(len(scene.sources), 'source')}, "
        f"{counted(len(scene.receivers), 'receiver')}, {band_name(scene.bands_hz[0])} to "
        f"{band_name(scene.bands_hz[-1])}. Computed {result.created[:10]} with raysim "
        f"{result.raysim_version} from {scene.path or 'a scene without file'}."
    )


def _volume(scene: Scene) -> str:
    """Volume with what the tape leaves open of it, where that is stated."""
    if scene.tolerance_m is None:
        return f"{scene.volume:.1f}"
    is_room = np.array([surface.owner == "room" for surface in scene.surfaces])
    shell = scene.mesh.corners[is_room[scene.mesh.surface]]
    error = scene.tolerance_m * volume_sensitivity_m2(shell)
    return " ± ".join(digits.rounded(scene.volume, error))


def provenance(result: Result) -> list[tuple[str, str]]:
    """All that is needed to compute the same again."""
    scene, climate = result.scene, result.scene.climate
    given = ", ".join(
        f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in asdict(result.settings).items()
        if value is not None and name != "seed"
    )
    radius = sorted({f"{r:.2f}" for r in result.receiver_radius_m})
    radii = radius[0] if len(radius) == 1 else f"{radius[0]} to {radius[-1]}"
    return [
        ("raysim", result.raysim_version),
        ("computed", f"{result.created}, in {result.duration_of_run_s:.1f} s"),
        ("stopped", result.stopped_by),
        ("seed", str(result.settings.seed)),
        ("rays a source", f"{result.rays} in {len(result.energy_batches)} batches"),
        ("reflections followed", str(result.reflection_count)),
        ("lost rays", str(result.lost_rays)),
        ("image sources", f"to order {result.image_order}"),
        ("counting sphere", f"radius {radii} m for early sound"),
        ("settings", given),
        (
            "climate",
            f"{climate.temperature_c:g} °C, {climate.humidity_percent:g} % humidity, "
            f"{climate.pressure_kpa:g} kPa; speed of sound {climate.speed_of_sound:.1f} m/s",
        ),
        (
            "room",
            f"{scene.volume:.2f} m³, {scene.area:.1f} m², {len(scene.mesh.triangles)} triangles, "
            f"{len(scene.surfaces)} surfaces",
        ),
        ("variant", ", ".join(result.variants)),
        ("mesh SHA-256", scene.mesh_sha256 or "not recorded"),
    ]
