"""Doubts about a scene, said before anything is computed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from raysim.scene.data import Scene


def say_doubts(scene: Scene) -> None:
    """What reading the scene made doubtful, on standard error."""
    for doubt in scene.warnings:
        click.echo(f"raysim: doubt: {doubt}", err=True)
