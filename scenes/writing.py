"""The file that the scripts of this folder write."""

from __future__ import annotations

from pathlib import Path

from raysim.scene.geometry import Geometry


def write_obj(path: Path, geometry: Geometry, title: str, script: str) -> None:
    """OBJ with a group for each surface, coordinates to a tenth of a micrometre."""
    lines = [f"# invented {title}; metres, z up; made by {script}"]
    lines += [f"v {x:.7f} {y:.7f} {z:.7f}" for x, y, z in geometry.vertices + 0.0]
    for number, name in enumerate(geometry.names):
        lines.append(f"g {name}")
        own = geometry.triangles[geometry.group == number] + 1
        lines += [f"f {a} {b} {c}" for a, b, c in own]
    path.write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")
