"""What is asked of the ray part and what is measured, as a table.

    python benchmarks/goals.py [--quick]

Runs the other benchmarks one after the other and prints what they print, then the table: medians,
in brackets the least and the most. Needs embreex (pip install "raysim[bench]") and a machine that
does nothing else; about ten minutes, with `--quick` three, which leave out what is slow to settle.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

HERE = Path(__file__).resolve().parent
Line = dict[str, Any]
NEAREST, LOOP = (2.0, 2.0, 2.0, 1.5), (6.0, 6.0, 4.0, 3.0)


class Row(NamedTuple):
    """One goal; of what is measured the median, and the least and the most where there are."""

    what: str
    asked: float
    measured: list[float]
    is_limit: bool = False

    @property
    def is_met(self) -> bool:
        """Whether the median is at least what is asked, or at most where it is a limit."""
        value = self.measured[0]
        return value <= self.asked if self.is_limit else value >= self.asked


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    is_quick = parser.parse_args().quick
    rows = [*of_engines(), *of_jobs(), *([] if is_quick else of_precision_and_scale())]
    print("\n| goal | asked | measured | |\n|---|---|---|---|")
    for row in rows:
        median, *limits = row.measured
        between = f" ({limits[0]:g} to {limits[1]:g})" if limits else ""
        sign, verdict = "<=" if row.is_limit else ">=", "met" if row.is_met else "MISSED"
        print(f"| {row.what} | {sign} {row.asked:g} | {median:g}{between} | {verdict} |")


def of_engines() -> Iterator[Row]:
    """Nearest hits and the whole loop against Embree."""
    lines = [line for line in lines_of("rays.py") if "triangles" in line]
    for asked, line in zip(NEAREST, lines, strict=True):
        where = f"over Embree's single rays, {line['triangles']} triangles"
        yield Row(f"nearest hit, ray by ray, {where}", asked, line["ratio"])
        yield Row(f"nearest hit, sixteen abreast, {where}", asked, line["ratio_abreast"])
    *lines, threads = lines_of("loop.py", "--repeats", "9")
    for asked, line in zip(LOOP, (line for line in lines if "triangles" in line), strict=True):
        where = f"over Embree and numpy, {line['triangles']} triangles"
        yield Row(f"whole loop, {where}", asked, line["ratio"])
    yield Row("two threads over one", 1.9, threads["two_threads_over_one"])


def of_jobs() -> Iterator[Row]:
    """The main job, variants and maps, in the control room."""
    cold, warm, _, job = lines_of("main_job.py")
    yield Row("T20 to 1 %, two cores, warm, s", 8.0, [job["total_s"]], True)
    yield Row("cold start to the first number, s", 40.0, [cold["total_s"]], True)
    yield Row("warm import and first kernel, s", 2.0, [warm["total_s"]], True)
    for line in lines_of("variants.py", "--repeats", "5"):
        if line.get("goal") and "variants" in line:
            what = f"{line['variants']} panel variants over one"
            yield Row(what, line["goal"], [line["times_one"]], True)
        if "maps_times_none" in line:
            times = [line["maps_times_none"], line["least"], line["most"]]
            yield Row("run with maps over one without", 1.5, times, True)


def of_precision_and_scale() -> Iterator[Row]:
    """Efficiency over a plain sphere, and the table of angles and a million triangles."""
    [line] = lines_of("efficiency.py", "--rounds", "48")
    found = line["T20"]
    measured = [found["mean"], found["least"], found["most"]]
    yield Row("efficiency for T20 over a plain sphere", 10.0, measured)
    for line in lines_of("growth.py", "--large"):
        if "layers_over_plain" in line:
            yield Row("layered angles over flat", 1.1, line["layers_over_plain"], True)
        if "peak_memory_mib" in line:
            what = f"{line['triangles']} triangles loaded, built, traced, MiB"
            yield Row(what, line["limit_mib"], [line["peak_memory_mib"]], True)


def lines_of(script: str, *options: str) -> list[Line]:
    """What a benchmark prints."""
    command = [sys.executable, str(HERE / script), *options]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    print(done.stdout, end="", flush=True)
    return [json.loads(text) for text in done.stdout.splitlines()]


if __name__ == "__main__":
    main()
