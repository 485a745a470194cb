"""A small study of an invented room, and a crew that needs no processes."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np

from raysim.cli.main import main
from raysim.study.tasks import attempt

ROOM = """\
title = "Invented room"
bands = [500, 1000]

[room]
size = [4.2, 3.4, 2.4]

[materials.plaster]
absorption = 0.2
scattering = 0.1

[materials.soft]
absorption = 0.6
scattering = 0.1

[surfaces]
"*" = "plaster"
rear = "soft"

[sources.left]
position = [1.10, 0.60, 1.20]

[receivers.seat]
position = [1.70, 1.64, 1.20]
"""

STUDY = """\
title = "Invented study"
scene = "room.toml"
seeds = 2
variants_a_trace = 2

[settings]
rays = 32
image_order = 0
duration_s = 0.3

[factors.rear]
path = "materials.soft.absorption"
values = [0.3, 0.6, 0.9]

[factors.length]
path = "room.size.0"
values = [4.2, 5.0]
"""
EFFECTS = """
[effects]
quantities = ["T20", "C50"]
"""
TASKS = 8  # 2 seeds and 2 lengths, and 3 absorptions on traces of 2 and 1
RUNS = 12


class HereCrew:
    """Computes each task when it is asked for outcomes."""

    size = 1

    def __init__(self):
        self.tasks = []

    def has_room(self):
        return len(self.tasks) < 2

    def submit(self, task):
        self.tasks.append(task)

    def wait(self, _seconds):
        return [attempt(self.tasks.pop(0), 1)]

    def close(self):
        self.tasks.clear()


def write_study(folder: Path, study: str = STUDY, room: str = ROOM) -> Path:
    """Scene and study files."""
    (folder / "room.toml").write_text(room, encoding="utf-8")
    path = folder / "study.toml"
    path.write_text(study, encoding="utf-8")
    return path


def compute_here(study: Path, folder: Path) -> int:
    """`raysim study` without processes."""
    import raysim.study.compute as compute

    hire = compute.local_crew
    compute.local_crew = lambda *_anything: HereCrew()
    try:
        return main(["study", str(study), "-o", str(folder)])
    finally:
        compute.local_crew = hire


def arrays(path: Path) -> dict[str, np.ndarray]:
    """All datasets of a merged file but those of what it cost."""
    found = {}

    def visit(name, node):
        if isinstance(node, h5py.Dataset) and not name.startswith("cost"):
            found[name] = node.asstr()[...] if node.dtype == object else node[...]

    with h5py.File(path, "r") as file:
        file.visititems(visit)
    return found


def assert_same_bits(one: Path, other: Path) -> None:
    """Two merged files hold the same, to the bit."""
    left, right = arrays(one), arrays(other)
    assert sorted(left) == sorted(right)
    assert "T20" in left
    for name, array in left.items():
        np.testing.assert_array_equal(array, right[name], err_msg=name, strict=True)


def task_files(folder: Path) -> list[Path]:
    """Files of finished tasks, in a fixed order."""
    return sorted((folder / "tasks").rglob("*.h5"))
