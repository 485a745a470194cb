"""What tables are printed on."""

from __future__ import annotations

import sys
import textwrap

import click
from rich.console import Console

WIDTH_OF_FILES = 120


def console() -> Console:
    """Standard output: as wide as the terminal, or wide enough not to break names in a file."""
    return Console(width=None if sys.stdout.isatty() else WIDTH_OF_FILES)


def say_item(sentence: str) -> None:
    """A sentence of a list, wrapped."""
    width = console().width
    click.echo(textwrap.fill(sentence, width, initial_indent="  - ", subsequent_indent="    "))
