"""Porous bodies as volumes of an equivalent fluid, and the thin facings on them.

A frame that stands still, air in it of density rho and bulk modulus K, both complex (Allard and
Atalla, Propagation of Sound in Porous Media, chapter 5): div((rho0/rho) grad p) + k^2 (K0/K) p = 0.
Both fluxes are volume velocities, so they match at the faces of the body of themselves. Through a
facing of transfer impedance Z the velocity (p1 - p2)/Z flows, where p jumps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array

from raysim.waves.elements import Body, Elements, without_traces
from raysim.waves.reduced import Reduced

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Complex = NDArray[np.complex128]

STIFFNESS, BOUNDARY, MASS = 0, 1, 2  # powers of j k
SLACK = 1e-9


@dataclass(frozen=True)
class Filling:
    """What a body is filled with, at the frequencies of a computation.

    Attributes
    ----------
    body : int
        Number of the body in the mesh.
    lightness : (frequencies,) complex
        Density of air over that of the equivalent fluid.
    softness : (frequencies,) complex
        Bulk modulus of air over that of the equivalent fluid.
    facing : (frequencies,) complex, optional
        rho0 c0 over the transfer impedance of what covers it; None for nothing.
    """

    body: int
    lightness: Complex
    softness: Complex
    facing: Complex | None = None

    def __post_init__(self) -> None:
        made = [-self.lightness.imag, self.softness.imag]
        if self.facing is not None:
            made.append(-self.facing.real)
        if max(float(each.max()) for each in made) > SLACK:
            raise ValueError(f"what fills body {self.body} makes sound; it can't be")


@dataclass(frozen=True)
class Term:
    """A matrix that is added with the weight coefficient (j k)^power."""

    matrix: csc_array
    power: int
    coefficients: Complex


def terms_of(elements: Elements, fillings: Sequence[Filling]) -> list[Term]:
    """What fillings change in stiffness - k^2 mass of a room whose bodies are air."""
    terms = []
    for filling in fillings:
        body = elements.bodies[filling.body]
        terms.append(Term(body.stiffness, STIFFNESS, filling.lightness - 1))
        terms.append(Term(body.mass, MASS, filling.softness - 1))
        if filling.facing is not None:
            terms.append(Term(body.facing, BOUNDARY, filling.facing))
    return terms


def faced(reduced: Reduced, fillings: Sequence[Filling]) -> tuple[Reduced, Ints]:
    """The same in elements that are double along the facings of bodies, and which each was.

    Air keeps its unknowns; a body with a facing has unknowns of its own on its faces. The basis is
    as it was, without jumps.
    """
    elements = reduced.elements
    origin = np.arange(elements.size)
    for filling in fillings:
        if filling.facing is not None:
            elements, own = _doubled(elements, filling.body)
            origin = origin[own]
    if len(origin) == len(reduced.shapes):
        return reduced, origin
    shapes = reduced.shapes[origin]
    modes = replace(reduced.modes, shapes=shapes[:, : len(reduced.modes.squared)])
    loads = np.zeros((len(origin), reduced.loads.shape[1]))
    loads[: len(reduced.loads)] = reduced.loads
    made = replace(
        reduced,
        elements=elements,
        mass=csr_array(elements.mass),
        modes=modes,
        shapes=shapes,
        loads=loads,
    )
    return made, origin


def _doubled(elements: Elements, number: int) -> tuple[Elements, Ints]:
    """Elements in which a body has unknowns of its own on its faces, and which each was."""
    body, size = elements.bodies[number], elements.size
    on_faces = np.unique(body.facing.indices)
    total = size + len(on_faces)
    new = np.arange(size)
    new[on_faces] = size + np.arange(len(on_faces))
    jump = _placing(new, total) - _placing(np.arange(size), total)

    def kept(matrix: csc_array) -> csc_array:
        ends = np.full(len(on_faces), matrix.indptr[-1])
        parts = (matrix.data, matrix.indices, np.concatenate([matrix.indptr, ends]))
        return csc_array(parts, shape=(total, total))

    def moved(matrix: csc_array) -> csc_array:
        entries = matrix.tocoo()
        at = (new[entries.row], new[entries.col])
        return csc_array((entries.data, at), shape=(total, total))

    bodies = [
        Body(kept(b.stiffness), kept(b.mass), kept(b.facing), tuple(kept(w) for w in b.walls))
        for b in elements.bodies
    ]
    walls = tuple(moved(wall) for wall in body.walls)
    facing = csc_array(jump @ body.facing @ jump.T)
    bodies[number] = Body(moved(body.stiffness), moved(body.mass), facing, walls)
    inside = elements.mesh.body == number
    dofs = elements.dofs.copy()
    dofs[inside] = new[dofs[inside]]
    made = replace(
        elements,
        stiffness=kept(without_traces(elements.stiffness - body.stiffness))
        + bodies[number].stiffness,
        mass=kept(without_traces(elements.mass - body.mass)) + bodies[number].mass,
        surfaces=tuple(
            kept(without_traces(surface - own)) + wall
            for surface, own, wall in zip(elements.surfaces, body.walls, walls, strict=True)
        ),
        nodes=np.vstack([elements.nodes, elements.nodes[on_faces]]),
        dofs=dofs,
        bodies=tuple(bodies),
    )
    return made, np.concatenate([np.arange(size), on_faces])


def _placing(places: Ints, total: int) -> csr_array:
    """(total, n) matrix that puts each of n values at its place."""
    ones = np.ones(len(places))
    return csr_array((ones, (places, np.arange(len(places)))), shape=(total, len(places)))
