"""fTetWild (MPL-2.0) through pytetwild: tetrahedra that follow triangles within an envelope.

Hu, Schneider, Wang, Zorin, Panozzo: Fast tetrahedral meshing in the wild, ACM Trans. Graph. 39
(2020). It fills the bounding box of the triangles and a margin; what is air is found afterwards.

It runs in a process of its own, for it keeps random states from one mesh to the next, can't be
interrupted, and a crash of it must not take a run along.
"""

from __future__ import annotations

import io
import subprocess
import sys
from importlib.util import find_spec

import numpy as np
from numpy.typing import NDArray

from raysim.errors import SolverError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

PACKAGE = "pytetwild"
PROCESS = "raysim.waves.meshing"


def fill(
    vertices: Array, triangles: Ints, edge_m: float, envelope_m: float, coarsen: bool
) -> tuple[Array, Ints, bool]:
    """Tetrahedra of the bounding box of triangles, with faces along the triangles.

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
    repeatable : bool
        Whether the same call gives the same again (raysim.waves.repeated).

    Raises
    ------
    SolverError
        The mesher isn't installed, fails or finds nothing.
    """
    if find_spec(PACKAGE) is None:
        raise SolverError(
            f"the bass part needs the package {PACKAGE}, which is not installed; "
            f"install it with 'pip install {PACKAGE}', or run with --no-bass"
        )
    asked = io.BytesIO()
    np.savez(
        asked,
        vertices=np.asarray(vertices, np.float64),
        triangles=np.asarray(triangles, np.uint32),
        edge_m=edge_m,
        envelope_m=envelope_m,
        coarsen=coarsen,
    )
    done = subprocess.run(
        [sys.executable, "-m", PROCESS], input=asked.getvalue(), capture_output=True, check=False
    )
    if done.returncode != 0:
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:]
        said = last[0] if last else f"exit {done.returncode}"
        raise SolverError(f"bass: the mesher failed ({said}); run with --no-bass")
    with np.load(io.BytesIO(done.stdout)) as found:
        points, tetrahedra = found["points"], found["tetrahedra"]
        repeatable = bool(found["repeatable"])
    if len(tetrahedra) == 0:
        raise SolverError("bass: the room couldn't be filled with tetrahedra; run with --no-bass")
    return points.astype(np.float64), tetrahedra.astype(np.int64), repeatable
