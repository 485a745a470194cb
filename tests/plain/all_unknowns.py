"""The field of all unknowns of the elements, by iteration until hardly anything is left."""

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.linalg import LinearOperator, gmres

from raysim.waves.threads import one_thread

LEFT = 1e-7
STEPS, TIMES = 100, 4


def all_unknowns(treated, number, source=0):
    """(n,) pressure at a frequency by its number: GMRES on the full matrix to LEFT of the load.

    It is preconditioned by the reduced room and, beside it, by the factors of stiffness - shift *
    mass; neither has a part in the solution once it has converged.
    """
    reduced, elements = treated.reduced, treated.reduced.elements
    k = treated.wavenumbers[number]
    full = csr_array(elements.stiffness - k * k * elements.mass, dtype=complex)
    weights = treated.weights_at(np.array([k]))[:, 0]
    for boundary, weight in zip(treated.boundaries, weights, strict=True):
        spread = csr_array(boundary.mass).tocoo()
        at = (boundary.on[spread.row], boundary.on[spread.col])
        full = full + csr_array((weight * spread.data, at), shape=full.shape)
    shapes = np.hstack([reduced.shapes, treated.added])
    inverse = np.linalg.inv(treated.matrices(np.array([number]))[0])

    def apart(operate, values):
        both = operate(np.column_stack([values.real, values.imag]))
        return both[:, 0] + 1j * both[:, 1]

    def reduce_to(values):
        return apart(lambda both: shapes.T @ both, values)

    def spread_from(values):
        return apart(lambda both: shapes @ both, values)

    def precondition(residual):
        slow = spread_from(inverse @ reduce_to(residual))
        fast = apart(reduced.modes.factor.solve, residual - full @ slow)
        return slow + fast - spread_from(reduce_to(apart(lambda both: reduced.mass @ both, fast)))

    load = reduced.loads[:, source] + 0j
    near = LinearOperator(full.shape, precondition, dtype=complex)
    with one_thread():
        found, _ = gmres(full, load, M=near, rtol=LEFT / 10, restart=STEPS, maxiter=TIMES)
    left = np.linalg.norm(full @ found - load) / np.linalg.norm(load)
    assert left < LEFT, left
    return found
