"""Small invented rooms and catalogues for tests of plans."""

from __future__ import annotations

from pathlib import Path

from raysim.plan.catalogue import load_catalogue
from raysim.scene.workshop import Workshop

ROOM = """\
title = "Invented small room"
bands = [500, 2000]
[room]
size = [{length}, {width}, 2.4]
[materials.wall]
absorption = 0.12
scattering = 0.2
reference = "invented"
[surfaces]
"*" = "wall"
[sources.left]
position = [{left}, 0.7, 1.2]
[sources.right]
position = [{right}, 0.7, 1.2]
[receivers.seat]
position = [{middle}, {seat}, 1.2]
facing = "front"
"""
CATALOGUE = """\
[items.wool]
kind = "panel"
size = [0.6, 1.0]
layers = ["porous 100mm glass wool 40kg/m3"]
cost = 50
fixing = "glued"
"""


def room_text(length: float = 3.6, width: float = 2.8, more: str = "") -> str:
    """Scene file of a box with two loudspeakers and a seat."""
    middle = width / 2
    text = ROOM.format(
        length=length,
        width=width,
        left=round(middle - 0.6, 3),
        right=round(middle + 0.6, 3),
        middle=round(middle, 3),
        seat=round(0.45 * length, 3),
    )
    return text + more


def workshop(folder: Path, text: str) -> Workshop:
    """Of a scene file with this text."""
    path = folder / "room.toml"
    path.write_text(text, encoding="utf-8")
    return Workshop(path)


def catalogue(folder: Path, text: str = CATALOGUE):
    """Read from a file with this text."""
    path = folder / "room_catalogue.toml"
    path.write_text(text, encoding="utf-8")
    return load_catalogue(path)
