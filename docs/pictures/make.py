"""Make the pictures of README.md and the guide, and the output that README.md shows.

    python docs/pictures/make.py

Takes some minutes. Run it when the drawings, the summary or the numbers have changed.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
REPOSITORY = HERE.parents[1]
PICTURES = {"plan.png": "control_room_plan.png"}
OF_THE_BASS = {"response.png": "linden_response.png", "bass_map.png": "linden_bass_map.png"}
START, END = "<!-- output of the run, by docs/pictures/make.py -->\n", "<!-- end of output -->\n"
FIRST_LINE = "Quantities"
ABSORBERS = ["porous 50mm 12000", "/", "porous 50mm 12000", "gap 50mm", "/", "porous 100mm 12000"]


def main() -> None:
    """Run, report, copy the pictures, and put what the run printed into README.md."""
    absorbers = str(HERE / "absorbers.png")
    raysim("materials", "layers", *ABSORBERS, "--picture", absorbers, folder=str(HERE))
    with tempfile.TemporaryDirectory() as folder:
        scene = str(REPOSITORY / "scenes" / "control_room.toml")
        printed = raysim("run", scene, "-o", "control_room.h5", folder=folder)
        raysim("report", "control_room.h5", "-o", "control_room_report", folder=folder)
        for drawn, shown in PICTURES.items():
            shutil.copy(Path(folder, "control_room_report", drawn), HERE / shown)
        linden = str(REPOSITORY / "scenes" / "linden.toml")
        raysim("run", linden, "-o", "linden.h5", "--draft", folder=folder)
        raysim("report", "linden.h5", "-o", "linden_report", folder=folder)
        for drawn, shown in OF_THE_BASS.items():
            shutil.copy(Path(folder, "linden_report", drawn), HERE / shown)
    readme = REPOSITORY / "README.md"
    before, rest = readme.read_text("utf-8").split(START)
    after = rest.split(END)[1]
    shown = printed[printed.index(FIRST_LINE) :].rstrip().splitlines()
    block = "\n".join(["```text", *(line.rstrip() for line in shown), "```", ""])
    readme.write_text(before + START + block + END + after, encoding="utf-8")


def raysim(*arguments: str, folder: str) -> str:
    """What a command prints."""
    command = [sys.executable, "-m", "raysim.cli", *arguments]
    done = subprocess.run(command, cwd=folder, check=True, stdout=subprocess.PIPE, text=True)
    return done.stdout


if __name__ == "__main__":
    main()
