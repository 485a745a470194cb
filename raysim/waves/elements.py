"""Order-3 tetrahedral elements: stiffness, mass, and the mass of each surface.

Weak form of the Helmholtz equation p'' + k^2 p = -source with dp/dn = -j k beta p (n outward,
beta admittance times rho0 c0, time factor exp(j omega t)):
(K + j k sum_s beta_s B_s - k^2 M) p = source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import skfem
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array
from skfem.element.element_h1 import ElementH1
from skfem.helpers import dot, grad
from skfem.refdom import RefTet

from raysim.errors import SceneError
from raysim.waves.tetrahedra import Tetrahedra, barycentric_in

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Matrices = tuple[csc_array, ...]

ORDER = 3
BOUNDARY_ORDER = 10
TRACE = 1e-12
_CORNERS = np.vstack([np.zeros(3), np.eye(3)])
_EDGES = np.array(RefTet.edges)
_FACES = np.array(RefTet.facets)
_NODES = np.vstack(
    [
        _CORNERS,
        *[
            [(2 * _CORNERS[a] + _CORNERS[b]) / 3, (_CORNERS[a] + 2 * _CORNERS[b]) / 3]
            for a, b in _EDGES
        ],
        [_CORNERS[face].mean(axis=0) for face in _FACES],
    ]
)
_POWERS = np.array([(i, j, k) for i in range(4) for j in range(4 - i) for k in range(4 - i - j)])
_COEFFICIENTS = np.linalg.inv(np.prod(_NODES[:, None] ** _POWERS, axis=2))


class Cubic(ElementH1):  # type: ignore[misc]
    """Lagrange polynomials of order 3 on a tetrahedron: 20 nodes, two on each edge.

    Corners of all tetrahedra must be sorted, so that neighbours number an edge's nodes alike.
    """

    nodal_dofs, edge_dofs, facet_dofs = 1, 2, 1
    maxdeg = ORDER
    dofnames = ("u", "u", "u", "u")
    doflocs = _NODES
    refdom = RefTet

    def lbasis(self, X: Any, i: int) -> tuple[Any, Any]:
        """Polynomial of node i and its gradient at local points X (3, ...)."""
        c = _COEFFICIENTS[:, i]
        slope = [
            np.tensordot(c * _POWERS[:, a], _monomials(X, _POWERS - np.eye(3, dtype=int)[a]), 1)
            for a in range(3)
        ]
        return np.tensordot(c, _monomials(X, _POWERS), 1), np.array(slope)


def _monomials(local: Any, powers: Ints) -> Any:
    """(monomials, ...) at local points (3, ...); negative powers belong to zero slopes."""
    shape = (-1,) + (1,) * (np.ndim(local) - 1)
    return np.prod([local[a] ** np.maximum(powers[:, a], 0).reshape(shape) for a in range(3)], 0)


@skfem.BilinearForm
def _stiffness(u: Any, v: Any, _: Any) -> Any:
    return dot(grad(u), grad(v))


@skfem.BilinearForm
def _mass(u: Any, v: Any, _: Any) -> Any:
    return u * v


@skfem.BilinearForm
def _shared_mass(u: Any, v: Any, w: Any) -> Any:
    return w["own"] * u * v


@dataclass(frozen=True)
class Body:
    """Parts of a mesh's matrices that a body has, (n, n) each.

    Attributes
    ----------
    stiffness, mass : sparse
        Of its inside.
    facing : sparse
        Boundary mass of its faces in the air.
    walls : tuple of sparse
        Its share of each surface.
    """

    stiffness: csc_array
    mass: csc_array
    facing: csc_array
    walls: Matrices


@dataclass(frozen=True)
class Elements:
    """Sparse matrices of a mesh, all symmetric.

    Attributes
    ----------
    stiffness, mass : (n, n) sparse
    surfaces : tuple of (n, n) sparse
        Boundary mass of each surface; its sum is the surface's area.
    nodes : (n, 3) float, m
    dofs : (tetrahedra, 20) int
    bodies : tuple of Body
        What may be filled with something else than air.
    """

    stiffness: csc_array
    mass: csc_array
    surfaces: Matrices
    nodes: Array
    mesh: Tetrahedra
    dofs: Ints
    bodies: tuple[Body, ...] = ()

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.nodes)

    @property
    def pattern(self) -> csc_array:
        """Where any of the matrices has entries: each alone lacks those that happen to be 0."""
        own = (abs(self.stiffness), abs(self.mass), *(abs(body.facing) for body in self.bodies))
        return csc_array(sum(own[1:], start=own[0]))

    def at(self, points: Array, names: list[str] | None = None) -> csr_array:
        """(points, n) values of all unknowns at (points, 3) places.

        Raises
        ------
        SceneError
            A point outside the air; `names` says which.
        """
        owner, weights = barycentric_in(self.mesh.points[self.mesh.corners], points, 1e-3)
        outside = np.flatnonzero(owner < 0)
        if len(outside):
            which = names[outside[0]] if names else "a point"
            raise SceneError(
                f"{which}: ({', '.join(f'{x:.2f}' for x in points[outside[0]])}) m is not in the "
                "air of the room but outside it or inside an object; move it"
            )
        values = np.array([Cubic().lbasis(weights[:, 1:].T, i)[0] for i in range(20)]).T
        rows = np.repeat(np.arange(len(points)), 20)
        shape = (len(points), self.size)
        return csr_array((values.ravel(), (rows, self.dofs[owner].ravel())), shape=shape)


def assemble(mesh: Tetrahedra, surface_at: Callable[[Array, Ints], Ints], areas: Array) -> Elements:
    """Matrices of order-3 elements.

    Faces of tetrahedra don't end where surfaces of one plane meet, so each point of the numerical
    integral over the boundary belongs to the surface it lies on, and the matrix of each surface
    is scaled to its area.

    Parameters
    ----------
    mesh : Tetrahedra
    surface_at : callable
        Given points (q, 3) on the boundary and the triangle (q,) of the face they are on,
        returns the surface (q,) they lie on, 0 to surfaces - 1.
    areas : (surfaces,) float, m2
    """
    mesh = replace(mesh, corners=np.sort(mesh.corners, axis=1))
    grid = _grid(mesh)
    basis = skfem.Basis(grid, Cubic(), intorder=2 * ORDER)
    surfaces, walls = _boundaries(mesh, grid, surface_at, areas)
    return Elements(
        csc_array(_stiffness.assemble(basis)),
        csc_array(_mass.assemble(basis)),
        surfaces,
        np.ascontiguousarray(basis.doflocs.T),
        mesh,
        np.asarray(basis.element_dofs.T),
        tuple(_body(mesh, grid, number, own) for number, own in enumerate(walls)),
    )


def resurfaced(
    elements: Elements, surface_at: Callable[[Array, Ints], Ints], areas: Array
) -> Elements:
    """The same elements with other surfaces, as `assemble` takes them."""
    surfaces, walls = _boundaries(elements.mesh, _grid(elements.mesh), surface_at, areas)
    bodies = tuple(
        replace(body, walls=own) for body, own in zip(elements.bodies, walls, strict=True)
    )
    return replace(elements, surfaces=surfaces, bodies=bodies)


def _grid(mesh: Tetrahedra) -> Any:
    return skfem.MeshTet(mesh.points.T.copy(), mesh.corners.T.copy())


def _body(mesh: Tetrahedra, grid: Any, number: int, walls: Matrices) -> Body:
    inside = mesh.body == number
    basis = skfem.Basis(grid, Cubic(), intorder=2 * ORDER, elements=np.flatnonzero(inside))
    first, second = grid.f2t
    faces = np.flatnonzero((second >= 0) & (inside[first] != inside[second]))
    side = skfem.FacetBasis(grid, Cubic(), facets=faces, intorder=2 * ORDER)
    return Body(
        csc_array(_stiffness.assemble(basis)),
        csc_array(_mass.assemble(basis)),
        without_traces(csc_array(_mass.assemble(side))),
        walls,
    )


def without_traces(matrix: csc_array) -> csc_array:
    """The same without entries that rounding left where there are none."""
    matrix = csc_array(matrix, copy=True)
    matrix.data[np.abs(matrix.data) < TRACE * np.abs(matrix.data).max(initial=0.0)] = 0.0
    matrix.eliminate_zeros()
    return matrix


def _boundaries(
    mesh: Tetrahedra, grid: Any, surface_at: Callable[[Array, Ints], Ints], areas: Array
) -> tuple[Matrices, tuple[Matrices, ...]]:
    """Boundary mass of each surface, and what of it each body has."""
    facets = np.sort(grid.facets, axis=0)
    number = {tuple(column): i for i, column in enumerate(facets.T)}
    outer = np.array([number[tuple(face)] for face in np.sort(mesh.outer, axis=1)])
    rising = np.argsort(outer)
    side = skfem.FacetBasis(grid, Cubic(), facets=outer[rising], intorder=BOUNDARY_ORDER)
    places = np.asarray(side.global_coordinates())  # (3, faces, points)
    triangle = np.repeat(mesh.triangle[rising], places.shape[2])
    on = surface_at(places.reshape(3, -1).T, triangle).reshape(places.shape[1:])
    shares = []
    for surface, area in enumerate(areas):
        own = (on == surface).astype(np.float64)
        covered = float((own * side.dx).sum())
        shares.append(own * area / covered if covered > 0 else own)
    within = mesh.body[side.tind] if len(mesh.body) else np.full(len(outer), -1)

    def masses(side: Any, faces: NDArray[np.bool_]) -> Matrices:
        return tuple(csc_array(_shared_mass.assemble(side, own=own[faces])) for own in shares)

    walls = []
    for body in range(mesh.bodies):
        faces = within == body
        if not faces.any():
            walls.append(tuple(csc_array((side.N, side.N)) for _ in shares))
            continue
        part = skfem.FacetBasis(grid, Cubic(), facets=outer[rising][faces], intorder=BOUNDARY_ORDER)
        walls.append(masses(part, faces))
    return masses(side, np.ones(len(outer), bool)), tuple(walls)
