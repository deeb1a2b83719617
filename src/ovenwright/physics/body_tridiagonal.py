"""Three-diagonal systems, one for each member, solved together."""

from __future__ import annotations

import numpy as np
from scipy.linalg.lapack import dgtsv

from ovenwright.physics.arrays import FloatArray

_SWEEP_FROM = 300  # members; from here on a sweep over nodes beats one long system (measured)


def solve_three_diagonals(
    lower: FloatArray, diagonal: FloatArray, upper: FloatArray, right: FloatArray
) -> FloatArray:
    """Solve for each member; columns of the matrix must be diagonally dominant.

    Parameters
    ----------
    lower, upper : (nodes - 1, members)
    diagonal, right : (nodes, members)

    All four may be overwritten.

    Returns
    -------
    (nodes, members)
    """
    nodes, members = diagonal.shape
    if members == 1:
        solved = dgtsv(lower[:, 0], diagonal[:, 0], upper[:, 0], right[:, 0], 1, 1, 1, 1)[3]
        return np.asarray(solved).reshape(nodes, 1)
    if members >= _SWEEP_FROM:
        return _sweep(lower, diagonal, upper, right)
    # laid end to end, with nothing between the members
    below, above = np.zeros((2, members, nodes))
    below[:, :-1], above[:, :-1] = lower.T, upper.T
    solved = dgtsv(
        below.ravel()[:-1],
        np.ascontiguousarray(diagonal.T).ravel(),
        above.ravel()[:-1],
        np.ascontiguousarray(right.T).ravel(),
        1,
        1,
        1,
        1,
    )[3]
    return np.ascontiguousarray(np.asarray(solved).reshape(members, nodes).T)


def _sweep(
    lower: FloatArray, diagonal: FloatArray, upper: FloatArray, right: FloatArray
) -> FloatArray:
    last = len(diagonal) - 1
    weight = np.empty_like(diagonal[0])
    for i in range(last):
        np.divide(lower[i], diagonal[i], out=weight)
        upper_part = weight * upper[i]
        diagonal[i + 1] -= upper_part
        weight *= right[i]
        right[i + 1] -= weight
    right[last] /= diagonal[last]
    for i in range(last - 1, -1, -1):
        np.multiply(upper[i], right[i + 1], out=weight)
        right[i] -= weight
        right[i] /= diagonal[i]
    return right
