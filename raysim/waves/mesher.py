"""fTetWild (MPL-2.0) through pytetwild: tetrahedra that follow triangles within an envelope.

Hu, Schneider, Wang, Zorin, Panozzo: Fast tetrahedral meshing in the wild, ACM Trans. Graph. 39
(2020). It fills the bounding box of the triangles and a margin; what is air is found afterwards.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.machinery import PathFinder
from importlib.util import find_spec, module_from_spec
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SolverError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

PACKAGE, EXTENSION = "pytetwild", "PyfTetWildWrapper"
QUALITY = 10.0  # energy at which it stops improving; a regular tetrahedron has 3
PASSES = 80
SILENT = 6


@lru_cache(maxsize=1)
def _extension() -> ModuleType:
    """Load the compiled part alone: the package's own import asks for a library of pictures."""
    package = find_spec(PACKAGE)
    places = package.submodule_search_locations if package else None
    found = PathFinder.find_spec(EXTENSION, places) if places else None
    if found is None or found.loader is None:
        raise SolverError(
            f"the bass part needs the package {PACKAGE}, which is not installed; "
            f"install it with 'pip install {PACKAGE}', or run without --bass"
        )
    module = module_from_spec(found)
    found.loader.exec_module(module)
    return module


def fill(
    vertices: Array, triangles: Ints, edge_m: float, envelope_m: float, coarsen: bool
) -> tuple[Array, Ints]:
    """Tetrahedra of the bounding box of triangles, with faces along the triangles.

    The order in which it inserts triangles is random and can't be chosen, so two meshes of one
    room differ; results differ by what the element's error is (docs/theory/bass.md).

    Parameters
    ----------
    vertices : (n, 3) float, m
    triangles : (m, 3) int
    edge_m : float
        Wanted length of edges.
    envelope_m : float
        By how much faces may lie beside the triangles.
    coarsen : bool
        Merge small tetrahedra around details afterwards; edges become up to half as long again.

    Returns
    -------
    points : (p, 3) float, m
    tetrahedra : (t, 4) int

    Raises
    ------
    SolverError
        The mesher isn't installed, or finds nothing.
    """
    diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    points, tetrahedra = _extension().tetrahedralize_mesh(
        np.ascontiguousarray(vertices, np.float64),
        np.ascontiguousarray(triangles, np.uint32),
        True,  # improve the shapes
        False,  # don't skip the simplification of the triangles
        edge_m / diagonal,
        edge_m,
        envelope_m / diagonal,
        QUALITY,
        coarsen,
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
    if len(tetrahedra) == 0:
        raise SolverError("bass: the room couldn't be filled with tetrahedra; run without --bass")
    return np.asarray(points, np.float64), np.asarray(tetrahedra, np.int64)
