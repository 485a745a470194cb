"""An invented bedroom with treatments, and the text of its scene file to add to."""

from __future__ import annotations

from pathlib import Path

import pytest

from raysim.errors import SceneError
from raysim.scene.read import load_scene

ROOM = """\
title = "Invented bedroom"
bands = [125, 1000]
[room]
size = [4.2, 3.4, 2.4]
[surfaces]
"*" = "gypsum board 13 mm on studs"
[patches.window]
on = "left"
at = [1.3, 0.95]
size = [1.3, 1.25]
material = "window glass"
[objects.desk]
at = [0.95, 0.45, 0.72]
size = [1.5, 0.7, 0.03]
material = "wooden desk"
[keep_clear.door]
on = "right"
at = [3.3, 0.0]
size = [0.8, 2.0]
reason = "door, swings in"
swing = "right"
[keep_clear.picture]
on = "rear"
at = [0.2, 1.2]
size = [0.5, 0.5]
reason = "a picture"
[sources.left]
position = [1.10, 0.60, 1.20]
[sources.right]
position = [2.30, 0.60, 1.20]
[receivers.seat]
position = [1.70, 1.64, 1.20]
facing = "front"
[materials.wool]
layers = ["fabric 200", "porous 100mm glass wool 40kg/m3"]
"""

PANEL = """\
[treatments.{name}]
kind = "panel"
on = "{on}"
at = {at}
size = [0.6, 1.2]
material = "wool"
{more}
"""
TRAPS = """\
[treatments.corners]
pattern = "corner traps"
places = ["front left", "front right"]
size = [0.34, 0.30]
z = [0.2, 2.0]
material = "wool"
[treatments.square]
kind = "corner trap"
on = ["left", "rear"]
size = "25cm"
shape = "square"
gap = "3cm"
material = "wool"
[treatments.edge]
kind = "edge trap"
on = ["rear", "ceiling"]
size = [0.3, 0.2]
along = [0.5, 2.5]
shape = "square"
material = "wool"
[treatments.sloping]
kind = "edge trap"
on = ["right", "ceiling"]
size = "20cm"
along = [0.5, 1.5]
material = "wool"
[treatments.cloud]
kind = "cloud"
on = "ceiling"
at = "centred 1.1m from the front, in the middle"
size = [1.2, 0.9]
gap = "15cm"
material = "wool"
[treatments.screen]
kind = "screen"
at = [2.9, 1.2, 0]
size = [0.1, 0.8, 1.6]
material = "wool"
"""


def panel(name: str, on: str, at: str, more: str = "") -> str:
    """Section of a panel of 0.6 x 1.2 m."""
    return PANEL.format(name=name, on=on, at=at, more=more)


def bedroom(folder: Path, more: str = "", room: str = ROOM):
    """Scene of the bedroom with more sections."""
    path = folder / "room.toml"
    path.write_text(room + more, encoding="utf-8")
    return load_scene(path)


def refused(folder, more, room=ROOM):
    """Complaints about a bedroom with `more` in its scene file."""
    with pytest.raises(SceneError) as error:
        bedroom(folder, more, room)
    return error.value.complaints
