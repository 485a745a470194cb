"""Where measured data lie; they are not part of this repository. Each test names its source."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

FOLDER = Path(
    os.environ.get("RAYSIM_REFERENCE_DATA")
    or Path(__file__).resolve().parents[2].parent / "shared" / "data"
)


def reference_file(name):
    """Path of a file of measured data; skips the test where there is none."""
    path = FOLDER / name
    if not path.is_file():
        pytest.skip(f"no measured data: {path} (RAYSIM_REFERENCE_DATA names the folder)")
    return path


def published_file(name):
    """Path of a table of published numbers beside the measured data; skips without it."""
    path = FOLDER.parent / "published" / name
    if not path.is_file():
        pytest.skip(f"no table of published numbers: {path}")
    return path
