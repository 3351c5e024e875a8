"""Cheapest one-to-one pairing of a small, possibly lopsided cost table."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def cheapest_pairs(cost: NDArray, dear: float) -> NDArray:  # type: ignore[type-arg]
    """Pair rows with columns at the least total cost; a row may stay single at the price `dear`.

    Parameters
    ----------
    cost
        Shape (rows, columns); a pair that costs `dear` or more is never made.
    dear
        Price of leaving a row single.

    Returns
    -------
    NDArray
        Column of each row, -1 where it stays single.

    Notes
    -----
    Shortest augmenting paths with potentials (Jonker and Volgenant 1987, doi:10.1007/BF02278710), dense; one
    spare column for each row stands for staying single.
    """
    n, real = cost.shape
    m = real + n
    u, v = np.zeros(n + 1), np.zeros(m + 1)
    row_of = np.zeros(m + 1, dtype=np.int64)
    way = np.zeros(m + 1, dtype=np.int64)
    for i in range(1, n + 1):
        _give_partner(i, cost, dear, (u, v), row_of, way)
    out = np.full(n, -1, dtype=np.int64)
    for j in range(1, real + 1):
        i = row_of[j]
        if i > 0 and cost[i - 1, j - 1] < dear:
            out[i - 1] = j - 1
    return out


@njit(cache=True, nogil=True)
def _give_partner(
    i: int,
    cost: NDArray[np.float64],
    dear: float,
    potentials: tuple[NDArray[np.float64], NDArray[np.float64]],
    row_of: NDArray[np.int64],
    way: NDArray[np.int64],
) -> None:
    """Give row `i`, counted from 1, a column along the shortest augmenting path; those beyond `cost` are spare.

    `row_of` is the row of each column, `way` the column before it on the path; both, and the potentials of rows and
    columns, are changed in place.
    """
    u, v = potentials
    real, m = cost.shape[1], v.size - 1
    inf = 1e300
    row_of[0] = i
    j0 = 0
    low = np.full(m + 1, inf)
    used = np.zeros(m + 1, dtype=np.bool_)
    while True:
        used[j0] = True
        i0, delta, j1 = row_of[j0], inf, 0
        for j in range(1, m + 1):
            if used[j]:
                continue
            if j <= real:
                c = min(cost[i0 - 1, j - 1], 4.0 * dear)
            else:
                c = dear if j - real == i0 else 4.0 * dear
            reduced = c - u[i0] - v[j]
            if reduced < low[j]:
                low[j], way[j] = reduced, j0
            if low[j] < delta:
                delta, j1 = low[j], j
        for j in range(m + 1):
            if used[j]:
                u[row_of[j]] += delta
                v[j] -= delta
            else:
                low[j] -= delta
        j0 = j1
        if row_of[j0] == 0:
            break
    while j0 != 0:
        row_of[j0] = row_of[way[j0]]
        j0 = way[j0]
