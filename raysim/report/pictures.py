"""Every picture of a report, as SVG for the page and as PNG beside it."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from raysim.bands import band_name
from raysim.estimate import Estimate
from raysim.quantities import (
    average,
    diffuse_field,
    mean_bass_decay,
    ray_validity,
    states_decay,
    transition,
)
from raysim.report import curves, drawings, elevations, fields, loudspeakers, style, words
from raysim.report.listed import Listed, drawn, facet_name
from raysim.results.data import Result
from raysim.scene.data import Scene
from raysim.scene.sizes import STATED_RANGE_M3
from raysim.theory import criteria

MOST_SURFACES = 12
SHOWN_ENERGY_S = 0.1
COLUMNS = 3


@dataclass(frozen=True)
class Picture:
    """A picture in the page.

    Attributes
    ----------
    svg : bytes
    alt : str
        What it shows, for those who cannot see it.
    caption : str
    width_px, height_px : int
        Natural size on screen.
    """

    svg: bytes
    alt: str
    caption: str
    width_px: int
    height_px: int

    @property
    def uri(self) -> str:
        """The picture itself as an address, so that the page needs no other file."""
        return "data:image/svg+xml;base64," + base64.b64encode(self.svg).decode("ascii")


@dataclass(frozen=True)
class Pictures:
    """All pictures of one receiver; `files` are the PNGs by name."""

    plan: Picture
    section: Picture
    early: list[Picture]
    surfaces: list[Picture]
    quantities: list[Picture]
    decay: list[Picture]
    energy: list[Picture]
    files: dict[str, bytes]


Panel = tuple[str, Callable[[Axes], None]]


def draw_all(
    result: Result,
    listed: Sequence[Listed],
    estimates: dict[str, Estimate],
    variant: int,
    receiver: int,
    prefix: str = "",
) -> Pictures:
    """Draw everything for one variant and receiver; `prefix` begins the names of the files.

    Means over all positions are drawn for the first receiver only.
    """
    files: dict[str, bytes] = {}
    scene = result.scene
    seat = scene.receivers[receiver].name
    with style.drawing():
        paths = drawn(list(listed))
        plan = drawings.draw_plan(scene, paths, receiver)
        section = drawings.draw_section(scene, paths, receiver)
        files["plan.png"], files["section.png"] = style.png(plan), style.png(section)
        return Pictures(
            plan=picture_of(
                plan,
                f"Plan of the room with early reflections to {seat}",
                "Plan, cut at ear height; front of the room at the top.",
            ),
            section=picture_of(
                section,
                f"Section of the room through {seat}",
                "Section through the seat, looking to the right-hand side. Paths of "
                "two sources that fall on one line are grey.",
            ),
            early=_panels(
                _early(result, listed), "early_reflections.png", files, style.PLAN_WIDTH_IN, 2.6, 1
            ),
            surfaces=_surfaces(result, listed, files),
            quantities=_panels(
                _quantities(result, estimates, variant, receiver),
                "quantities.png",
                files,
                height_in=3.1,
            ),
            decay=_panels(_decay(result, variant, receiver), "decay.png", files),
            energy=_panels(_energy(result, variant, receiver), "energy_time.png", files),
            files={prefix + name: content for name, content in files.items()},
        )


def draw_loudspeakers(scene: Scene, files: dict[str, bytes]) -> list[Picture]:
    """Draw how the sources radiate; the PNG is added to `files`."""
    with style.drawing():
        return _panels(
            loudspeakers.panels(scene),
            "loudspeakers.png",
            files,
            height_in=loudspeakers.HEIGHT_IN,
        )


def picture_of(figure: Figure, alt: str, caption: str = "") -> Picture:
    """Render a figure for the page at its own size."""
    width, height = figure.get_size_inches()
    return Picture(style.svg(figure), alt, caption, round(96 * width), round(96 * height))


def _panels(
    panels: Sequence[Panel],
    file: str,
    files: dict[str, bytes],
    width_in: float = style.PANEL_WIDTH_IN,
    height_in: float = style.PANEL_HEIGHT_IN,
    columns: int = COLUMNS,
) -> list[Picture]:
    """Each panel alone for the page, all in one PNG."""
    if not panels:
        return []
    figures, pictures = [], []
    for alt, draw in panels:
        figure = style.blank(width_in, height_in)
        draw(figure.add_subplot())
        pictures.append(picture_of(figure, alt))
        figures.append(figure)
    files[file] = style.tiled_png(figures, min(columns, len(panels)))
    return pictures


def _early(result: Result, listed: Sequence[Listed]) -> list[Panel]:
    window = 1e3 * criteria.REFLECTION_WINDOW_S
    latest = max([window * 1.3, *(1.04 * one.delay_ms for one in listed)])
    panels: list[Panel] = []
    for index, source in enumerate(result.scene.sources):
        own = [
            one for one in listed if one.reflection.source == index and np.isfinite(one.level_db)
        ]
        if not own:
            continue

        def draw(axes: Axes, own: list[Listed] = own, name: str = style.short(source.name)) -> None:
            curves.draw_early(
                axes,
                np.array([one.delay_ms for one in own]),
                np.array([one.level_db for one in own]),
                [one.numbered for one in own],
                name,
                criteria.REFLECTION_LEVEL_DB,
                window,
                latest,
            )

        panels.append((f"Delay and level of early reflections of {source.name}", draw))
    return panels


def _surfaces(result: Result, listed: Sequence[Listed], files: dict[str, bytes]) -> list[Picture]:
    scene = result.scene
    met = elevations.met_facets(scene, [one.numbered for one in listed])
    loudest = {
        index: max(p.path.reflection.level_db.max() for p in points)
        for index, points in met.items()
    }
    chosen = sorted(sorted(met, key=lambda i: -loudest[i])[:MOST_SURFACES])
    pictures = []
    for place, index in enumerate(chosen, start=1):
        figure = elevations.draw_surface(scene, index, met[index])
        name = facet_name(scene, index)
        slug = re.sub(r"\W+", "-", name).strip("-") or "surface"
        files[f"surface_{place:02d}_{slug}.png"] = style.png(figure)
        pictures.append(picture_of(figure, f"Surface {name} unfolded, with reflection points"))
    return pictures


def _quantities(
    result: Result, estimates: dict[str, Estimate], variant: int, receiver: int
) -> list[Panel]:
    scene = result.scene
    doubtful = ~ray_validity(result)[variant, 0, receiver]
    untimed = doubtful if states_decay(result) else np.ones_like(doubtful)
    means = {key: average(result, key) for key in ("EDT", "T20", "T30")}
    times = [curves.Curve(k, e.value[variant], e.standard_error[variant]) for k, e in means.items()]
    waves = mean_bass_decay(result, variant)
    if any(band in waves for band in scene.bands_hz):
        known = np.array([waves.get(band, (np.nan, np.nan)) for band in scene.bands_hz])
        times.append(curves.Curve("waves", *known.T))
    field = diffuse_field(scene, result.variants[variant])
    t20 = means["T20"].value[variant]
    nominal = criteria.nominal_decay_time(scene.volume)
    lower, upper = criteria.decay_tolerance_s(scene.bands_hz)
    many = len(scene.sources) > 1 or len(scene.receivers) > 1

    def decay_times(axes: Axes) -> None:
        curves.draw_quantity(
            axes,
            scene.bands_hz,
            times,
            "Decay times" + (", mean over positions" if many else ""),
            "s",
            untimed,
            spread=(t20 * field.shorter, t20 * field.longer),
            guide=(nominal + lower, nominal + upper),
        )

    def of_sources(key: str, title: str) -> Callable[[Axes], None]:
        e = estimates[key]
        lines = [
            curves.Curve(
                style.short(source.name),
                e.value[variant, s, receiver],
                e.standard_error[variant, s, receiver],
            )
            for s, source in enumerate(scene.sources[: len(style.LOOKS)])
        ]
        return lambda axes: curves.draw_quantity(axes, scene.bands_hz, lines, title, "dB", doubtful)

    is_known = any(np.isfinite(curve.value).any() for curve in times)
    means_once: list[Panel] = [("Decay times by band with guide", decay_times)]
    return [
        *(means_once if receiver == 0 and is_known else []),
        ("Clarity C50 by band", of_sources("C50", "Clarity C50")),
        ("Sound strength G by band", of_sources("G", "Sound strength G")),
    ]


def _decay(result: Result, variant: int, receiver: int) -> list[Panel]:
    lines = fields.decay_curves(result, variant, receiver)
    doubts = _doubts(result, variant, receiver)
    if not states_decay(result):
        doubts = [f"below {STATED_RANGE_M3[0]:g} m³:\nnot stated"] * len(doubts)
    return _by_band(result, "Decay curve", curves.draw_decay, lines, doubts)


def _energy(result: Result, variant: int, receiver: int) -> list[Panel]:
    until_s = min(SHOWN_ENERGY_S, float(result.time_s[-1]) + result.bin_s)
    lines = fields.energy_curves(result, variant, receiver)
    doubts = _doubts(result, variant, receiver)
    draw = partial(curves.draw_energy_time, until_s=until_s)
    return _by_band(result, "Energy-time curve", draw, lines, doubts)


def _by_band(
    result: Result,
    title: str,
    draw: Callable[..., None],
    lines: Sequence[list[curves.Curve]],
    doubts: Sequence[str],
) -> list[Panel]:
    """One panel a band; the first has the key."""
    panels: list[Panel] = []
    for b, label in enumerate(result.scene.bands_hz):
        name = band_name(label)
        panel = partial(
            draw,
            time_s=result.time_s,
            curves=lines[b],
            title=name,
            doubt=doubts[b],
            with_key=b == 0,
        )
        panels.append((f"{title} at {name}", panel))
    return panels


def _doubts(result: Result, variant: int, receiver: int) -> list[str]:
    """A short reason for each band in which rays say little, empty elsewhere."""
    frequency = words.nearest_five(float(transition(result).frequency_hz[variant]))
    text = f"below the Schroeder frequency,\nabout {frequency} Hz: not valid"
    return ["" if ok else text for ok in ray_validity(result)[variant, 0, receiver]]
