"""What a variant changes in the bass: decay of modes and octaves, evenness at the seat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.quantities.bass_decay import BassDecay, bass_decay
from raysim.quantities.bass_evenness import Evenness, evenness
from raysim.quantities.bass_modes import Mode, modes_of
from raysim.quantities.sides import Side
from raysim.quantities.validity import transition_frequency
from raysim.results.data import Bass

Array = NDArray[np.float64]

FARTHEST = 0.06  # of its frequency that a mode may move and still be taken for the same
STRANGER = 0.03  # counted so much farther where it is nothing like it
MOST_MODES = 16


@dataclass(frozen=True)
class BassChange:
    """From one variant to another.

    Attributes
    ----------
    before, after : str
    modes : tuple of (Mode, Mode or None)
        The lowest below the Schroeder frequency before, each with what became of it; None where
        none is near, as of a mode that is damped away or joined another.
    receivers : tuple of str
        Common to both.
    bands_hz : tuple of float
        Octaves below the Schroeder frequency that both have.
    t20_s, t20_spread_s : (2, receiver, band) float
        Before and after, mean over the sources; NaN where undefined on that side.
    even : (Evenness, Evenness)
        Before and after, of `receivers`.
    """

    before: str
    after: str
    modes: tuple[tuple[Mode, Mode | None], ...]
    receivers: tuple[str, ...]
    bands_hz: tuple[float, ...]
    t20_s: Array
    t20_spread_s: Array
    even: tuple[Evenness, Evenness]

    @property
    def even_change_db(self) -> tuple[Array, Array]:
        """(receiver,) mean over the head zone, and standard deviation over it."""
        moved = self.even[1].zone_db - self.even[0].zone_db
        return moved.mean(axis=-1), moved.std(axis=-1)


def bass_change(before: Side, after: Side) -> BassChange | None:
    """Compare the bass of two sides; None where one has none, or no receiver is in both."""
    basses = [side.result.bass for side in (before, after)]
    if basses[0] is None or basses[1] is None:
        return None
    named = [[r.name for r in side.scene.receivers] for side in (before, after)]
    common = [name for name in named[0] if name in named[1]]
    if not common:
        return None
    picked = [[names.index(name) for name in common] for names in named]
    decays = [bass_decay(side.result, bass) for side, bass in _pairs(before, after)]
    bands = tuple(f for f in decays[0].bands_hz if f in decays[1].bands_hz)
    times = [_times(d, bands, own) for d, own in zip(decays, picked, strict=True)]
    first, last = (
        evenness(side.result, bass).of(own)
        for (side, bass), own in zip(_pairs(before, after), picked, strict=True)
    )
    modes = [modes_of(side.result, bass) for side, bass in _pairs(before, after)]
    below_hz = float(transition_frequency(before.result)[0])
    lowest = [m for m in modes[0] if m.frequency_hz < below_hz][:MOST_MODES]
    return BassChange(
        before=before.name,
        after=after.name,
        modes=_matched(lowest, modes[1]),
        receivers=tuple(common),
        bands_hz=bands,
        t20_s=np.array([time for time, _ in times]),
        t20_spread_s=np.array([spread for _, spread in times]),
        even=(first, last),
    )


def wave_times(before: Side, after: Side) -> dict[float, tuple[Array, float]]:
    """T20 by waves of each octave below the Schroeder frequency, by its nominal label.

    Returns
    -------
    dict of float to ((2,) float, float)
        Before and after, mean over sources and receivers, and the standard deviation of the
        change over them; empty where one side has no bass, or has other sources or receivers.
    """
    names = [
        ([s.name for s in side.scene.sources], [r.name for r in side.scene.receivers])
        for side in (before, after)
    ]
    both = _pairs(before, after)
    if len(both) < 2 or names[0] != names[1]:
        return {}
    decays = [bass_decay(side.result, bass) for side, bass in both]
    found = {}
    for label in decays[0].bands_hz:
        if label not in decays[1].bands_hz:
            continue
        times = np.array([d.time_s[0, ..., d.bands_hz.index(label)] for d in decays])
        if np.isfinite(times).all():
            found[label] = (times.mean(axis=(1, 2)), float((times[1] - times[0]).std()))
    return found


def _pairs(*sides: Side) -> list[tuple[Side, Bass]]:
    return [(side, side.result.bass) for side in sides if side.result.bass is not None]


def _times(decay: BassDecay, bands: tuple[float, ...], receivers: list[int]) -> tuple[Array, Array]:
    """(receiver, band) means over the sources of T20, and of its spread."""
    chosen = [decay.bands_hz.index(f) for f in bands]
    time, spread = (
        each[0][:, receivers][..., chosen].mean(axis=0) for each in (decay.time_s, decay.spread_s)
    )
    return time, spread


def _matched(before: list[Mode], after: tuple[Mode, ...]) -> tuple[tuple[Mode, Mode | None], ...]:
    """Each mode with the one nearest it and most alike, the surest pairs first, none twice."""
    costs = sorted(
        (cost, i, k)
        for i, one in enumerate(before)
        for k, other in enumerate(after)
        if (cost := _distance(one, other)) < FARTHEST
    )
    mate: dict[int, int] = {}
    for _, i, k in costs:
        if i not in mate and k not in mate.values():
            mate[i] = k
    return tuple((one, after[mate[i]] if i in mate else None) for i, one in enumerate(before))


def _distance(one: Mode, other: Mode) -> float:
    far = abs(float(np.log(other.frequency_hz / one.frequency_hz)))
    return far + STRANGER * (1 - _likeness(one, other))


def _likeness(one: Mode, other: Mode) -> float:
    """1 where both are called the same or are proportional at sources and receivers, 0 to it."""
    if one.kind and one.kind == other.kind:
        return 1.0
    a, b = (np.concatenate([mode.at_sources, mode.at_receivers]) for mode in (one, other))
    if a.shape != b.shape or not (a.any() and b.any()):
        return 0.0
    return float(abs(a @ b) / (np.linalg.norm(a) * np.linalg.norm(b)))
