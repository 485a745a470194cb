"""The section on the bass: response at the seat, plan, modes, notches, before and after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup
from matplotlib.figure import Figure

from raysim.quantities import joined_response, modes_of
from raysim.quantities.bass_modes import Mode
from raysim.quantities.bass_plan import bass_plan
from raysim.quantities.dips import Dip, find_dips
from raysim.report import bass_curves, bass_maps, bass_tables, bass_words, style
from raysim.report.pictures import Picture, picture_of
from raysim.report.seats import MOST_SHOWN
from raysim.report.templates import render
from raysim.results.data import Bass, Result
from raysim.results.response import Response
from raysim.theory.modal_decay import SOURCE

MOST_OTHERS = 4
WALK = (
    "Level of all loudspeakers together at the height of the first receiver's ears, at single "
    "frequencies of modes: dark is loud, white is a quiet spot. The circle is the first receiver, "
    "the marks are the loudspeakers. To check it, play a tone of that frequency and walk the lines."
)


@dataclass(frozen=True)
class BassSection:
    """What the page shows, and PNG and CSV by name."""

    html: Markup
    files: dict[str, bytes]


def bass_section(
    result: Result,
    first: Result,
    tones_hz: Sequence[float] = (),
) -> BassSection | None:
    """The section, or None for a result without the bass.

    Parameters
    ----------
    result : Result
        With all variants.
    first : Result
        The first variant alone, in its own room.
    tones_hz : sequence of float
        Frequencies to map besides those of modes.

    Raises
    ------
    SettingsError
        A tone that the bass doesn't reach, or a tone and no bass.
    """
    response = joined_response(result)
    if result.bass is None or first.bass is None or response is None:
        for tone in tones_hz:
            bass_plan(result, tone)  # says why there is none
        return None
    bass = first.bass
    files: dict[str, bytes] = {}
    modes = modes_of(first, bass)
    shown = range(min(len(first.scene.receivers), MOST_SHOWN))
    dips = [
        [find_dips(first, response, 0, s, r) for s in range(len(first.scene.sources))]
        for r in shown
    ]
    with style.drawing():
        seats = [_seat(first, bass, response, r, dips[r], files) for r in shown]
        maps = _maps(first, modes, tones_hz, files)
        others = _others(result, response, files)
    files |= {
        "modes.csv": bass_tables.modes_csv(result, result.bass).encode("utf-8"),
        "notches.csv": bass_tables.notches_csv(result).encode("utf-8"),
        "response.csv": bass_tables.response_csv(result, response).encode("utf-8"),
        "bass_thirds.csv": bass_tables.thirds_csv(result, result.bass).encode("utf-8"),
    }
    html = render(
        "bass",
        intro=_intro(bass),
        sentences=bass_words.sentences(first, response, modes, dips[0]),
        seats=seats,
        maps=maps,
        walk=WALK,
        modes=bass_tables.mode_rows(first, modes),
        modes_intro=_modes_intro(len(modes)),
        notches=bass_tables.notch_rows(first, 0),
        thirds=bass_tables.third_rows(first, bass, 0),
        others=others,
        notes=bass.notes,
    )
    return BassSection(html, files)


def _intro(bass: Bass) -> str:
    return (
        "Below the Schroeder frequency single resonances rule, and sound is computed as waves in a "
        f"room of this shape, up to {bass.frequency_hz[-1]:.0f} Hz. Levels are re the free field "
        "at 10 m of a loudspeaker that is flat down to the lowest note. For the room as stated "
        "they are computed to about 0.5 dB away from holes; what is not known of materials and of "
        "lengths moves them more."
    )


def _modes_intro(count: int) -> str:
    more = (
        ""
        if count <= bass_tables.MOST_MODES
        else (f" The lowest {bass_tables.MOST_MODES} of {count}; all are in modes.csv.")
    )
    return (
        "A mode is a resonance of the whole room. Of the frequency ± is what elements and tape "
        "leave open; below the decay time stands what it would be within the ranges of the "
        f"materials' absorption. Ringing is held against thresholds of hearing ({SOURCE}); where "
        f"the range crosses one, the verdict is not sure.{more}"
    )


def _seat(
    first: Result,
    bass: Bass,
    response: Response,
    receiver: int,
    dips: list[tuple[Dip, ...]],
    files: dict[str, bytes],
) -> dict[str, object]:
    name = first.scene.receivers[receiver].name
    together = len(response.playback) - 1
    drawn = [
        (
            "response",
            bass_curves.draw_response(
                response, 0, together, receiver, [d for own in dips for d in own]
            ),
            f"Level at {name} from 20 Hz to 20 kHz",
        ),
        (
            "bass",
            bass_curves.draw_bass(first, bass, modes_of(first, bass), receiver),
            f"Level of the bass at {name} and over its head zone; ticks below are modes, dark "
            "where one is driven and heard",
        ),
    ]
    if together:
        drawn.insert(
            1,
            (
                "response_sources",
                bass_curves.draw_sources(response, 0, receiver),
                f"Level at {name} of each source alone",
            ),
        )
    prefix = "" if receiver == 0 else f"receiver_{receiver + 1:02d}_"
    return {
        "name": name,
        "pictures": [_kept(prefix + file, f, alt, files) for file, f, alt in drawn],
    }


def _maps(
    first: Result, modes: Sequence[Mode], tones_hz: Sequence[float], files: dict[str, bytes]
) -> list[Picture]:
    """At modes, and at the tones that were asked for."""
    pictures = []
    for name, shown in (
        ("", bass_maps.maps_at_modes(first, modes)),
        ("_asked", bass_maps.maps_at(first, tones_hz)),
    ):
        for start in range(0, len(shown), bass_maps.MOST_MAPS):
            some = shown[start : start + bass_maps.MOST_MAPS]
            listed = ", ".join(f"{one.plan.frequency_hz:.0f}" for one in some)
            end = f"{name}{f'_{start // bass_maps.MOST_MAPS + 1}' if start else ''}"
            pictures += [
                _kept(
                    f"bass_map{end}",
                    bass_maps.draw_maps(first, some),
                    f"Plan of the level at {listed} Hz",
                    files,
                ),
                _kept(
                    f"bass_walk{end}",
                    bass_maps.draw_walks(some),
                    f"Level along and across the room through the first receiver at {listed} Hz",
                    files,
                ),
            ]
    return pictures


def _others(result: Result, response: Response, files: dict[str, bytes]) -> list[Picture]:
    """Joined response of each further variant against the first, first receiver."""
    f, first = response.frequency_hz, response.smoothed_db[0, -1, 0]
    pictures = []
    for number in range(1, min(len(result.variants), MOST_OTHERS + 1)):
        figure = bass_curves.draw_before_after(
            f,
            first,
            response.smoothed_db[number, -1, 0],
            (result.variants[0], result.variants[number]),
            f"At “{style.short(result.scene.receivers[0].name)}”, 1/6 octave",
        )
        alt = f"Level with {result.variants[number]} against {result.variants[0]}"
        pictures.append(_kept(f"response_variant_{number:02d}", figure, alt, files))
    return pictures


def _kept(name: str, figure: Figure, alt: str, files: dict[str, bytes]) -> Picture:
    files[f"{name}.png"] = style.png(figure)
    return picture_of(figure, alt)
