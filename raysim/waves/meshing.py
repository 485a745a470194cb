"""The mesher's process: one mesh from standard input to standard output, as NumPy archives."""

from __future__ import annotations

import io
import os
import sys
from importlib.machinery import PathFinder
from importlib.util import find_spec, module_from_spec
from types import ModuleType

import numpy as np

from raysim.waves.mesher import PACKAGE
from raysim.waves.repeated import make_repeatable

EXTENSION = "PyfTetWildWrapper"
QUALITY = 10.0  # energy at which it stops improving; a regular tetrahedron has 3
PASSES = 80
SILENT = 6


def _extension() -> ModuleType:
    """Load the compiled part alone: the package's own import asks for a library of pictures."""
    package = find_spec(PACKAGE)
    places = package.submodule_search_locations if package else None
    found = PathFinder.find_spec(EXTENSION, places) if places else None
    if found is None or found.loader is None:
        raise ImportError(f"{PACKAGE} has no {EXTENSION}")
    module = module_from_spec(found)
    found.loader.exec_module(module)
    return module


def main() -> None:
    """Read, mesh, write."""
    asked = np.load(io.BytesIO(sys.stdin.buffer.read()))
    answer = os.dup(sys.stdout.fileno())
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # the mesher talks on standard output
    extension = _extension()
    repeatable = make_repeatable(extension)
    vertices, edge_m = asked["vertices"], float(asked["edge_m"])
    diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    points, tetrahedra = extension.tetrahedralize_mesh(
        np.ascontiguousarray(vertices),
        np.ascontiguousarray(asked["triangles"]),
        True,  # improve the shapes
        False,  # don't skip the simplification of the triangles
        edge_m / diagonal,
        edge_m,
        float(asked["envelope_m"]) / diagonal,
        QUALITY,
        bool(asked["coarsen"]),
        1,  # thread
        PASSES,
        SILENT,
        True,
        False,
        True,  # keep what is outside
        np.empty((0, 3)),
        np.empty((0, 4), np.int32),
        np.empty(0),
    )
    found = io.BytesIO()
    np.savez(found, points=points, tetrahedra=tetrahedra, repeatable=repeatable)
    with os.fdopen(answer, "wb") as out:
        out.write(found.getvalue())


if __name__ == "__main__":
    main()
