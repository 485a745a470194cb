"""From a scene file to what a search is to find, and from what it found to a scene file."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from os import PathLike
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SceneError, SettingsError
from raysim.place.layouts import Desk, Layout
from raysim.place.limits import Limits, Weights
from raysim.place.rewriting import Path, rewritten, without
from raysim.place.rooms import Front, fronts_of
from raysim.place.scores import Asked
from raysim.place.zones import is_drawn_in
from raysim.scene.data import Receiver, Scene, Source
from raysim.scene.lines import parse
from raysim.scene.read import load_scene, scene_of_text
from raysim.scene.text import text_of

Array = NDArray[np.float64]

DESK_NAMES = ("desk", "console", "table")
DESK_TO_HEAD_M = (0.3, 0.7)
CLOSE = 0.8
WORDS = {"front": (0.0, -1.0), "rear": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}


@dataclass(frozen=True)
class Question:
    """A scene file and what of it moves.

    Attributes
    ----------
    path : str
    text : str
    scene : Scene
        As it is.
    asked : Asked
    seat : str
    names : (2,) tuple of str
        Left and right loudspeaker.
    notes : tuple of str
    """

    path: str
    text: str
    scene: Scene
    asked: Asked
    seat: str
    names: tuple[str, str]
    notes: tuple[str, ...]


def ask(
    path: str | PathLike[str],
    limits: Limits | None = None,
    weights: Weights | None = None,
    seat: str | None = None,
    seed: int = 1,
    highest_hz: float = 200.0,
) -> Question:
    """Read a scene and find what moves: two loudspeakers, the seat, a desk.

    Parameters
    ----------
    path : path
        Scene file.
    seat : str, optional
        Receiver that moves; the first by default.

    Raises
    ------
    SceneError, SettingsError
        No scene, no pair of loudspeakers, no such seat or wall.
    """
    if seed < 0:
        raise SettingsError(f"--seed: {seed} is negative; use 0 or more")
    scene = load_scene(path)
    text, limits = text_of(path), limits or Limits()
    receiver = _receiver(scene, seat, str(path))
    left, right = _pair(scene, receiver, str(path))
    notes = [
        f"sources.{s.name} stays where it is and doesn't count"
        for s in scene.sources
        if s.name not in (left.name, right.name)
    ]
    notes += [f"receivers.{r.name} stays where it is" for r in scene.receivers if r is not receiver]
    if scene.treatments:
        notes.append("treatments are left out: places are sought in the room without them")
    if is_drawn_in(scene, receiver.position, receiver.zone):
        notes.append(f"receivers.{receiver.name}: its zone is drawn in to stay in the air")
    ear = float(receiver.position[2])
    fronts = fronts_of(scene, ear)
    desk = _desk(scene, parse(text), receiver)
    stripped = scene
    if desk is not None:
        stripped = scene_of_text(without(text, ("objects", desk.name)), path)
        fronts = fronts_of(stripped, ear)
    if not fronts:
        raise SceneError(f"{path}: no upright wall is wide enough to be the front of a layout")
    own = fronts[0]
    current = _current(own, left, right, receiver)
    asked = Asked(
        scene=stripped,
        sources=(left, right),
        zone=receiver.zone,
        fronts=_allowed(fronts, limits, stripped),
        current=current,
        desk=desk,
        limits=limits,
        weights=weights or Weights(),
        seed=seed,
        highest_hz=highest_hz,
    )
    return Question(
        str(path), text, scene, asked, receiver.name, (left.name, right.name), tuple(notes)
    )


def moved_text(question: Question, layout: Layout) -> str:
    """The scene file with loudspeakers, seat and desk as in a layout."""
    left, right = question.names
    tree = parse(question.text)
    changes: dict[Path, Any] = {
        ("sources", left, "position"): _rounded(layout.left),
        ("sources", right, "position"): _rounded(layout.right),
        ("receivers", question.seat, "position"): _rounded(layout.seat),
        ("receivers", question.seat, "facing"): _facing(question.scene, layout),
    }
    for name in (left, right):
        if "aim" in tree["sources"][name]:
            changes["sources", name, "aim"] = question.seat
    if question.asked.desk is not None:
        corners = layout.desk_corners(question.asked.desk)
        low, high = corners.min(axis=0), corners.max(axis=0)
        desk = question.asked.desk
        section = ("objects", desk.name)
        given = tree["objects"][desk.name]
        at = [*low, desk.low_m]
        if "box" in given:
            changes[(*section, "box")] = [_rounded(at), _rounded([*high, desk.high_m])]
        else:
            changes[(*section, "at")] = _rounded(at)
            changes[(*section, "size")] = _rounded([*(high - low), desk.high_m - desk.low_m])
    return rewritten(question.text, changes)


def _rounded(values: Any) -> list[float]:
    return [round(float(v), 4) + 0.0 for v in values]


def _facing(scene: Scene, layout: Layout) -> str | list[float]:
    """A word in tape-measured rooms, else a point of the front wall at ear height."""
    if scene.handedness < 0:
        for word, way in WORDS.items():
            if np.dot(way, layout.front.ahead[:2]) > 0.999:
                return word
    return _rounded(layout.seat + layout.front.ahead * layout.seat_m)


def _receiver(scene: Scene, name: str | None, path: str) -> Receiver:
    if name is None:
        return scene.receivers[0]
    for receiver in scene.receivers:
        if receiver.name == name:
            return receiver
    names = [r.name for r in scene.receivers]
    near = get_close_matches(name, names, n=1)
    cure = f"did you mean '{near[0]}'?" if near else f"there are {', '.join(names)}"
    raise SettingsError(f"{path}: --listener: there is no receiver '{name}'; {cure}")


def _pair(scene: Scene, receiver: Receiver, path: str) -> tuple[Source, Source]:
    """Sources named left and right, or the only two; by the side they stand on."""
    named = {s.name.lower(): s for s in scene.sources}
    if "left" in named and "right" in named:
        return named["left"], named["right"]
    full = [s for s in scene.sources if not _is_subwoofer(s)]
    if len(full) != 2:
        raise SceneError(
            f"{path}: sources: {len(full)} loudspeakers, {', '.join(s.name for s in full)}; "
            "place needs a pair: name two of them left and right"
        )
    right = scene.right_of(receiver.facing)
    first, second = sorted(full, key=lambda s: float(s.position @ right))
    return first, second


def _is_subwoofer(source: Source) -> bool:
    return source.name.lower().startswith("sub")


def _desk(scene: Scene, tree: dict[str, Any], receiver: Receiver) -> Desk | None:
    """An upright box named desk, console or table between loudspeakers and seat."""
    for name, section in tree.get("objects", {}).items():
        if not name.lower().startswith(DESK_NAMES) or not {"box", "at"} & set(section):
            continue
        own = [i for i, s in enumerate(scene.surfaces) if s.owner == name]
        corners = scene.mesh.corners[np.isin(scene.mesh.surface, own)].reshape(-1, 3)
        low, high = corners.min(axis=0), corners.max(axis=0)
        ahead = np.abs(np.round(receiver.facing)) > 0.5
        along, across = (0, 1) if ahead[0] else (1, 0)
        size = high - low
        rear = min(abs(float((np.array(end) - receiver.position)[along])) for end in (low, high))
        near, far = DESK_TO_HEAD_M
        to_head = rear if near <= rear <= far else Limits().desk_to_head_m
        return Desk(
            name,
            float(size[across]),
            float(size[along]),
            float(low[2]),
            float(high[2]),
            round(to_head, 3),
            scene.materials[scene.surfaces[own[0]].material],
        )
    return None


def _current(front: Front, left: Source, right: Source, receiver: Receiver) -> Layout:
    level = float(front.middle @ front.ahead)
    ahead = [level - float(p @ front.ahead) for p in (left.position, right.position)]
    return Layout(
        front,
        round(float(np.mean(ahead)), 4),
        round(float(np.linalg.norm((left.position - right.position)[:2])), 4),
        round(level - float(receiver.position @ front.ahead), 4),
        left.position,
        right.position,
        receiver.position,
    )


def _allowed(fronts: list[Front], limits: Limits, scene: Scene) -> tuple[Front, ...]:
    if not limits.fronts:
        return tuple(fronts)
    names = [front.name for front in fronts]
    for wanted in limits.fronts:
        if wanted not in names:
            known = {s.name for s in scene.surfaces}
            near = get_close_matches(wanted, names, n=1, cutoff=CLOSE)
            cure = f"did you mean '{near[0]}'?" if near else f"walls are {', '.join(names)}"
            what = "is no upright wall wide enough" if wanted in known else "isn't in the scene"
            raise SettingsError(f"--front: '{wanted}' {what}; {cure}")
    return tuple(front for front in fronts if front.name in limits.fronts)
