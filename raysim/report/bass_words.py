"""What a report says of the bass in plain words, made from its numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_name
from raysim.digits import tidy, with_error
from raysim.quantities import (
    bass_decay,
    corner_levels,
    room_gain,
    transition_frequency,
    zone_levels,
)
from raysim.quantities.bass_gain import CUT_OFFS_HZ
from raysim.quantities.bass_modes import Mode
from raysim.quantities.bass_ranges import responses_at_ends, seat_range_db
from raysim.quantities.dip_ranges import depth_ranges_db
from raysim.quantities.dips import Dip
from raysim.quantities.overlap import interference_spread_db
from raysim.results.data import Bass, Result
from raysim.results.response import Response
from raysim.theory.modal_decay import WITH_MUSIC
from raysim.theory.nulls import QUIET

Complex = NDArray[np.complex128]

MOST_MODES_NAMED = 3
LEAK = "real walls give and gaps leak, so take it as the most"


def sentences(
    result: Result,
    response: Response,
    modes: Sequence[Mode],
    dips: Sequence[Sequence[Dip]],
    receiver: int = 0,
) -> list[str]:
    """What matters at a receiver of the first variant; `dips` one list a source."""
    bass = result.bass
    assert bass is not None
    at_ends = responses_at_ends(result, bass)
    holes = [
        _dips_of(
            source.name, own, depth_ranges_db(result, response, own, at_ends, number, receiver)
        )
        for number, (source, own) in enumerate(zip(result.scene.sources, dips, strict=True))
    ]
    said = [
        _ringing(result, modes, receiver),
        *holes,
        _zone(result, bass, at_ends, receiver),
        _corners(bass),
        _gain(result, at_ends, receiver),
        *low_decay(result, bass, receiver),
        agreement(result, response),
    ]
    return [sentence for sentence in said if sentence]


def _ringing(result: Result, modes: Sequence[Mode], receiver: int) -> str:
    below_hz = float(transition_frequency(result)[0])
    own = [m for m in modes if m.frequency_hz < below_hz]
    loud = [
        m
        for m in own
        if m.verdict == WITH_MUSIC
        and (np.abs(m.at_sources) >= QUIET).any()
        and abs(m.at_receivers[receiver]) >= QUIET
    ]
    start = (
        f"Modes: {len(own)} below the Schroeder frequency of {below_hz:.0f} Hz"
        if len(own) != 1
        else f"Modes: one below the Schroeder frequency of {below_hz:.0f} Hz"
    )
    if not own:
        return "Modes: none below the Schroeder frequency."
    name = result.scene.receivers[receiver].name
    if not loud:
        return f"{start}; none that is driven and heard at “{name}” rings audibly with music."
    lowest = loud[:MOST_MODES_NAMED]
    listed = ", ".join(
        f"{m.frequency_hz:.0f} Hz ({m.decay_time_s:.2f} s, within the materials' ranges "
        f"{m.shortest_s:.2f} to {m.longest_s:.2f})"
        for m in lowest
    )
    return f"{start}; {len(loud)} of them ring audibly with music at “{name}”, the lowest {listed}."


def _dips_of(source: str, dips: Sequence[Dip], ranges: Sequence[tuple[float, float]]) -> str:
    known = [each for each in zip(dips, ranges, strict=True) if each[0].surface or each[0].by_waves]
    made = sorted(known, key=lambda each: -each[0].depth_db)[:2]
    if not made:
        return ""
    listed = " and ".join(
        f"at {d.frequency_hz:.0f} Hz, {d.depth_db:.0f} dB deep ({low:.0f} to {high:.0f}), made by "
        + (f"the surface “{d.surface}”" if d.surface else "several surfaces at once")
        for d, (low, high) in made
    )
    return (
        f"Holes of the source “{source}”, in brackets within the materials' ranges: {listed}. It "
        "is position, not level: no equaliser fills them."
    )


def _zone(result: Result, bass: Bass, at_ends: Complex, receiver: int) -> str:
    levels = zone_levels(bass)
    if not levels.bands_hz:
        return ""
    spread = levels.spread_db[0, :, receiver]
    source, worst = np.unravel_index(int(spread.argmax()), spread.shape)
    level = levels.level_db[0, source, receiver]
    off = max(
        float(np.abs(end[source, receiver] - level).max()) for end in seat_range_db(bass, at_ends)
    )
    zone = 100 * result.scene.receivers[receiver].zone.max()
    return (
        f"A head that moves {zone:.0f} cm hears third-octaves change by up to "
        f"{spread[source, worst]:.1f} dB (at {band_name(levels.bands_hz[worst])}), computed at "
        f"nine places, not sampled; the materials' ranges move a third at the seat by up to "
        f"{off:.1f} dB."
    )


def _corners(bass: Bass) -> str:
    corners = corner_levels(bass)
    if corners is None:
        return ""
    over = (corners.over_room[0], corners.over_middle[0])
    room, middle = (each.mean(axis=0) for each in over)
    loudest = int(np.nan_to_num(room, nan=-np.inf).argmax())
    apart = max(float(np.nanmax(each.std(axis=0))) for each in over)
    by_source = f", ±{apart:.1f} dB over the loudspeakers" if len(over[0]) > 1 else ""
    return (
        f"Corners are {tidy(float(room.min()), 0)} to {tidy(float(room.max()), 0)} dB louder than "
        f"the room on average and {tidy(float(middle.min()), 0)} to {tidy(float(middle.max()), 0)} "
        f"dB louder than its middle, by third-octave{by_source}; most at "
        f"{band_name(corners.bands_hz[loudest])}."
    )


def _gain(result: Result, at_ends: Complex, receiver: int) -> str:
    gain = room_gain(result, 0, receiver)
    if gain is None:
        return ""
    lowest = f"{gain.lowest_mode_hz:.0f} Hz"
    moved = [room_gain(result, 0, receiver, end) for end in at_ends]
    cut_offs = [one.largest_cut_off_hz for one in (gain, *moved) if one is not None]
    if gain.largest_cut_off_hz <= CUT_OFFS_HZ[0]:
        return (
            f"Below the lowest mode ({lowest}) the room lifts no third by more than 3 dB over the "
            "mean up to 200 Hz: it can take a loudspeaker of any size."
        )
    return (
        f"Largest loudspeaker: below the lowest mode ({lowest}) the room lifts the bass. A closed "
        f"one with its own cut-off at {gain.largest_cut_off_hz:.0f} Hz ({min(cut_offs):.0f} to "
        f"{max(cut_offs):.0f} within the materials' ranges) already reaches "
        f"{band_name(gain.reaches_hz)} here; a lower cut-off makes the lowest thirds more than 3 "
        f"dB too loud ({LEAK})."
    )


def low_decay(result: Result, bass: Bass, receiver: int) -> list[str]:
    """T20 of the octaves that rays can't tell, one sentence; means over the sources."""
    decay = bass_decay(result, bass)
    parts = []
    for b, label in enumerate(decay.bands_hz):
        times = decay.time_s[0, :, receiver, b]
        if not np.isfinite(times).all():
            continue
        error = float(np.hypot(decay.spread_s[0, :, receiver, b].mean(), times.std()))
        low, high = (times.mean() * share[0, b] for share in (decay.shorter, decay.longer))
        parts.append(
            f"{with_error(float(times.mean()), error)} s at {band_name(label)} "
            f"({low:.2f} to {high:.2f})"
        )
    if not parts:
        return []
    return [
        f"T20 by waves at “{result.scene.receivers[receiver].name}”: {', '.join(parts)}; ± over "
        "the head zone and the sources, in brackets within the materials' ranges."
    ]


def agreement(result: Result, response: Response) -> str:
    """By how much the two engines differ where both are computed."""
    off = response.overlap_db[0]
    if not off.size:
        return ""
    bands = [band_name(f) for f in response.overlap_hz]
    span = bands[0] if len(bands) == 1 else f"{bands[0]} to {bands[-1]}"
    rms = float(np.sqrt((off**2).mean()))
    spread = interference_spread_db(result, response)
    known = np.isfinite(spread)
    return (
        f"Where waves and rays are both computed ({span}) their third-octaves differ by "
        f"{tidy(float(off.min()), 1)} to {tidy(float(off.max()), 1)} dB, {rms:.1f} dB rms"
        + (f"; interference that rays don't have makes up to {spread:.1f}." if known else ".")
    )
