"""Several names after one option: `--variant base sides`, or the option again for each."""

from __future__ import annotations

from pathlib import Path

import click

OPTION = "--variant"
FILES = (".toml", ".h5", ".hdf5")


class TakesVariants(click.Command):
    """A command whose `--variant` takes all names up to the next option or file."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Repeat the option before each name."""
        spelt: list[str] = []
        is_name, has_one = False, False
        for word in args:
            if word.startswith("-") and word != "-":
                is_name, has_one = word == OPTION, False
            elif is_name and has_one and Path(word).suffix in FILES:
                is_name = False
            elif is_name:
                spelt += [OPTION] if has_one else []
                has_one = True
            spelt.append(word)
        return super().parse_args(ctx, spelt)
