"""Least squares under linear inequalities, solved exactly."""

from __future__ import annotations

import numpy as np
from scipy.optimize import lsq_linear, nnls

from needlecalc.errors import SolveError
from needlecalc.units import FloatArray

INFEASIBLE_BELOW = 1e-12
RANK_BELOW = 1e-13
OPTIMAL = 1e-10  # of a column's length: least slope at a minimum, as far as figures tell
CONTRADICTION = "The limits contradict each other, so no profile meets them all; relax the least gap or the largest cut."


def least_squares_with_inequalities(
    matrix: FloatArray, wanted: FloatArray, bounds_matrix: FloatArray, bounds: FloatArray
) -> tuple[FloatArray, FloatArray]:
    r"""Vector *x* least in :math:`|Ex - f|` under :math:`Gx \ge h`, with its multipliers.

    Parameters
    ----------
    matrix : array, shape (m, n)
        *E*, of full column rank. [-]
    wanted : array, shape (m,)
        *f*. [-]
    bounds_matrix : array, shape (k, n)
        *G*. [-]
    bounds : array, shape (k,)
        *h*. [-]

    Returns
    -------
    array, shape (n,)
        The minimiser. [-]
    array, shape (k,)
        Multiplier of each inequality, zero where it is not active. [-]

    Raises
    ------
    SolveError
        If no vector meets the inequalities, or the columns of *E* do not determine it.

    Notes
    -----
    Problem LSI turned by an orthogonal factorisation into a least distance problem, and that into
    non-negative least squares.

    References
    ----------
    .. [1] Lawson and Hanson, *Solving Least Squares Problems*, SIAM, 1995, chapter 23.

    Examples
    --------
    >>> x, force = least_squares_with_inequalities(np.eye(2), np.array([-1.0, 2.0]), np.eye(2), np.zeros(2))
    >>> print(x, force)
    [0. 2.] [1. 0.]
    """
    count = matrix.shape[1]
    # With f as a last column the factor holds Q^T f as well, and Q is never formed.
    factor = np.asarray(np.linalg.qr(np.column_stack([matrix, wanted]), mode="r"))
    r, aimed = factor[:count, :count], factor[:count, count]
    diagonal, length = np.abs(np.diag(r)), np.linalg.norm(matrix, axis=0)
    if diagonal.size < count or (diagonal <= RANK_BELOW * length).any():
        msg = (
            "The bands do not determine every unknown of the fit, so it has no single answer; give more bands or free less."
        )
        raise SolveError(msg)
    force = np.zeros(bounds.size)
    # A row of zeros asks nothing of the vector: it holds or it does not.
    asks = bounds_matrix.any(axis=1)
    if (bounds[~asks] > 0.0).any():
        raise SolveError(CONTRADICTION)
    bounds_matrix, bounds = bounds_matrix[asks], bounds[asks]
    # In z = R x - Q^T f the least vector is zero, and the limits are those below.
    # Limits that are opposite must stay so to the last bit. Matrix kernels may round a row by its place; einsum does not.
    moved = np.einsum("ij,jk->ik", bounds_matrix, np.linalg.inv(r))
    need = bounds - np.einsum("ij,j->i", moved, aimed)
    if (need <= 0.0).all():
        return np.linalg.solve(r, aimed), force
    size = np.linalg.norm(moved, axis=1)
    # Scaled by what is farthest from being met: beside the room of what is met with ease nnls loses the small figures.
    scale = float(np.max(need / size))
    system = np.vstack([(moved / size[:, None]).T, need / size / scale])
    aim = np.zeros(system.shape[0])
    aim[-1] = 1.0
    rest = system @ (weights := _non_negative(system, aim)) - aim
    if -rest[-1] < INFEASIBLE_BELOW:
        raise SolveError(CONTRADICTION)
    step = rest[:-1] / -rest[-1] * scale
    force[asks] = weights / -rest[-1] * scale / size
    return np.linalg.solve(r, aimed + step), force


def _non_negative(system: FloatArray, aim: FloatArray) -> FloatArray:
    """Weights of no less than zero least in |system w - aim|."""
    most = 50 * system.shape[1]
    try:
        weights = nnls(system, aim, maxiter=most)[0]
    except RuntimeError:  # it went round in circles
        weights = np.full(system.shape[1], np.nan)
    slope = system.T @ (system @ weights - aim)
    # Where two limits are all but opposite nnls can return weights that are no minimum: another way round then.
    if not (slope >= -OPTIMAL * np.linalg.norm(system, axis=0)).all():
        weights = lsq_linear(system, aim, (0.0, np.inf), method="bvls", tol=1e-15, max_iter=most).x
    return np.asarray(weights)
