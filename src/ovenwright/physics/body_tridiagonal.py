"""Three-diagonal systems, one for each member, solved together."""

from __future__ import annotations

import numpy as np
from scipy.linalg.lapack import dgtsv

from ovenwright.physics.arrays import FloatArray

_SWEEP_FROM = 400  # members; from here on a sweep over nodes beats one long system (measured)


def solve_three_diagonals(
    lower: FloatArray, diagonal: FloatArray, upper: FloatArray, right: FloatArray
) -> FloatArray:
    """Solve for each member; columns of the matrix must be diagonally dominant.

    Parameters
    ----------
    lower, upper : (nodes - 1, members)
    diagonal, right : (nodes, members); both are overwritten

    Returns
    -------
    (nodes, members)
    """
    nodes, members = diagonal.shape
    if members >= _SWEEP_FROM:
        return _sweep(lower, diagonal, upper, right)
    # laid end to end, with nothing between the members
    below, above = np.zeros((2, members, nodes))
    below[:, :-1], above[:, :-1] = lower.T, upper.T
    *_, solved, info = dgtsv(
        below.ravel()[:-1],
        np.ascontiguousarray(diagonal.T).ravel(),
        above.ravel()[:-1],
        np.ascontiguousarray(right.T).ravel(),
        1,
        1,
        1,
        1,
    )
    if info != 0:  # pragma: no cover - a dominant matrix has no zero pivot
        raise np.linalg.LinAlgError("singular")
    out: FloatArray = solved.reshape(members, nodes).T
    return np.ascontiguousarray(out)


def _sweep(
    lower: FloatArray, diagonal: FloatArray, upper: FloatArray, right: FloatArray
) -> FloatArray:
    last = len(diagonal) - 1
    for i in range(last):
        weight = lower[i] / diagonal[i]
        diagonal[i + 1] -= weight * upper[i]
        weight *= right[i]
        right[i + 1] -= weight
    right[last] /= diagonal[last]
    for i in range(last - 1, -1, -1):
        right[i] -= upper[i] * right[i + 1]
        right[i] /= diagonal[i]
    return right
