"""Modes as an owner reads them: how long they ring, who drives them, who hears them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.bands import exact_midband_hz
from raysim.quantities.plausibility import diffuse_field
from raysim.results.data import Bass, Result
from raysim.theory.modal_decay import judge_decay
from raysim.theory.nulls import QUIET

Array = NDArray[np.float64]

ELEMENT_SHARE = 0.001  # what finite elements leave open of a frequency
DECAY_SHARE = 0.015  # and of a decay time what the method does, by its checks
WAYS = {"along": 0, "across": 1, "floor": 2}


@dataclass(frozen=True)
class Mode:
    """One mode of one variant.

    Attributes
    ----------
    variant : int
    frequency_hz, tolerance_hz : float
        What the elements and the tape (where the scene states a tolerance) leave open of it.
    decay_time_s, shortest_s, longest_s : float
        As computed, and within the ranges of the materials' absorption (a diffuse field's share).
    verdict : str
        Of `theory.modal_decay`, for the decay time as computed.
    is_sure : bool
        Whether it is the same at both ends of the range.
    kind : str
        Which mode of the bounding box, or empty.
    at_sources, at_receivers : (n,) float
        Pressure re its root mean square over the room, with sign.
    """

    variant: int
    frequency_hz: float
    tolerance_hz: float
    decay_time_s: float
    shortest_s: float
    longest_s: float
    verdict: str
    is_sure: bool
    kind: str
    at_sources: Array
    at_receivers: Array


def modes_of(result: Result, bass: Bass) -> tuple[Mode, ...]:
    """Every mode, in the order of the result."""
    midbands = np.array([exact_midband_hz(f) for f in result.scene.bands_hz])
    fields = [diffuse_field(result.scene, name) for name in result.variants]
    found = []
    for m, variant in enumerate(bass.mode_variant):
        f, time = float(bass.mode_frequency_hz[m]), float(bass.mode_decay_time_s[m])
        band = int(np.abs(np.log(midbands / f)).argmin())
        field = fields[variant]
        ends = [time * float(share[band]) for share in (field.shorter, field.longer)]
        verdict, short, long = judge_decay(np.full(3, f), np.array([time, *ends]))
        found.append(
            Mode(
                variant=int(variant),
                frequency_hz=f,
                tolerance_hz=f * _frequency_share(result, bass.mode_kind[m]),
                decay_time_s=time,
                shortest_s=ends[0],
                longest_s=ends[1],
                verdict=verdict,
                is_sure=short == long,
                kind=bass.mode_kind[m],
                at_sources=bass.mode_at_sources[m],
                at_receivers=bass.mode_at_receivers[m],
            )
        )
    return tuple(found)


def _frequency_share(result: Result, kind: str) -> float:
    """Elements and tape added as squares; the tape over the length that the mode runs along."""
    scene = result.scene
    if scene.tolerance_m is None:
        return ELEMENT_SHARE
    ways = np.abs(np.stack([scene.front, scene.right_of(scene.front), [0.0, 0.0, 1.0]]))
    sides = ways @ np.ptp(scene.mesh.vertices, axis=0)
    way = WAYS.get(kind.split(" ")[0]) if kind else None
    side = float(sides.min() if way is None else sides[way])
    return float(np.hypot(ELEMENT_SHARE, scene.tolerance_m / side))


def drivers_in_words(mode: Mode, sources: list[str]) -> str:
    """Which sources drive it: 'left and right in opposite phase'."""
    strength = np.abs(mode.at_sources)
    loud = [n for n, s in enumerate(strength) if s >= QUIET]
    if not loud:
        return f"hardly driven: {_and(sources)} on its quiet spots"
    names = _and([sources[n] for n in loud])
    quiet = [name for n, name in enumerate(sources) if n not in loud]
    less = f", hardly by {_and(quiet)}" if quiet else ""
    signs = np.sign(mode.at_sources[loud])
    together = abs(mode.at_sources[loud].sum())
    if len(loud) > 1 and len(set(signs)) > 1 and together < QUIET:
        return f"driven by {names} in opposite phase: hardly by what they play alike{less}"
    return f"driven by {names}{less}"


def hearers_in_words(mode: Mode, receivers: list[str]) -> str:
    """Where it is heard: 'heard at seat', 'hardly heard at seat: its quiet spot'."""
    strength = np.abs(mode.at_receivers)
    loud = [name for name, s in zip(receivers, strength, strict=True) if s >= QUIET]
    quiet = [name for name in receivers if name not in loud]
    parts = [f"heard at {_and(loud)}"] if loud else []
    if quiet:
        parts.append(f"hardly heard at {_and(quiet)}")
    return ", ".join(parts)


def mode_in_words(mode: Mode, sources: list[str], receivers: list[str]) -> str:
    """One clause on who drives and who hears it, and what follows."""
    said = f"{drivers_in_words(mode, sources)}; {hearers_in_words(mode, receivers)}"
    hidden = (np.abs(mode.at_sources) < QUIET).all() and (np.abs(mode.at_receivers) < QUIET).all()
    return said + ("; move either and it appears" if hidden else "")


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
