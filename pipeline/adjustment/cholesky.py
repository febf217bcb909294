"""Symmetric equations by Cholesky's factors: half the work of a general solution or less.

Rounding may leave a matrix that is all but singular with a value below nought, where there are no
such factors; it is then treated as any other matrix.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg.lapack import dposv, dpotrf, dpotri

from calib.frames import Array


def solved(matrix: Array, right: Array) -> Array:
    """x (K,) of matrix x = right, the matrix (K, K) symmetric.

    Raises
    ------
    LinAlgError : it is singular.
    """
    # Its transpose is the same matrix, in the order that LAPACK wants.
    _, x, failed = dposv(matrix.T, right, lower=True)
    return np.asarray(np.linalg.solve(matrix, right) if failed else x)


def inverted(matrix: Array) -> Array:
    """Inverse (K, K) of a symmetric matrix, symmetric to the last digit.

    Raises
    ------
    LinAlgError : it is singular.
    """
    lower, failed = dpotrf(matrix.T, lower=True)
    if failed:
        inverse = np.linalg.inv(matrix)
        return np.asarray(0.5 * (inverse + inverse.T))
    half, _ = dpotri(lower, lower=True, overwrite_c=True)  # nought above the diagonal
    diagonal = np.arange(len(half))
    half[diagonal, diagonal] *= 0.5
    return np.asarray(half + half.T)
