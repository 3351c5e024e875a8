"""Normal equations of a least-squares fit: solved and inverted inside kernels."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Share by which a scaled diagonal is raised, so that rounding leaves a matrix that is just positive, positive.
_RIDGE = 1e-10


class Equations(NamedTuple):
    """Normal equations of a fit.

    Attributes
    ----------
    matrix
        JᵀWJ, J the slopes of the model and W the inverse variances, shape (n, n).
    vector
        JᵀW times the residuals, shape (n,).
    """

    matrix: NDArray[np.float64]
    vector: NDArray[np.float64]


@njit(cache=True, nogil=True)
def solve(a: NDArray[np.float64], b: NDArray[np.float64], x: NDArray[np.float64], n: int) -> bool:
    """Solve the first `n` of a symmetric positive system a x = b by Cholesky; writes `x`, `a` is overwritten.

    False where the system is not positive; `x` is of no use then.
    """
    for i in range(n):
        for j in range(i + 1):
            s = a[i, j]
            for k in range(j):
                s -= a[i, k] * a[j, k]
            if i == j:
                if s <= 0.0:
                    return False
                a[i, i] = math.sqrt(s)
            else:
                a[i, j] = s / a[j, j]
    for i in range(n):
        s = b[i]
        for k in range(i):
            s -= a[i, k] * x[k]
        x[i] = s / a[i, i]
    for i in range(n - 1, -1, -1):
        s = x[i]
        for k in range(i + 1, n):
            s -= a[k, i] * x[k]
        x[i] = s / a[i, i]
    return True


@njit(cache=True, nogil=True)
def inverse(a: NDArray[np.float64], out: NDArray[np.float64]) -> bool:
    """Inverse of a symmetric positive matrix into `out`, scaled first so that units do not matter.

    False where the matrix is not positive; `out` is of no use then.
    """
    n = len(a)
    scale = np.empty(n)
    for i in range(n):
        if a[i, i] <= 0.0:
            return False
        scale[i] = 1.0 / math.sqrt(a[i, i])
    work = np.empty((n, n))
    unit, x = np.zeros(n), np.empty(n)
    for k in range(n):
        for i in range(n):
            for j in range(n):
                work[i, j] = a[i, j] * scale[i] * scale[j]
            work[i, i] *= 1.0 + _RIDGE
            unit[i] = 0.0
        unit[k] = 1.0
        if not solve(work, unit, x, n):
            return False
        for i in range(n):
            out[i, k] = x[i] * scale[i] * scale[k]
    return True
