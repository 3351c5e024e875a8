"""Sorting inside kernels: the same on every machine, and quick to compile."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Rounds of a bisection after which it is seen whether all values left are equal.
_LOOK = 8


@njit(cache=True, nogil=True)
def rising(keys: NDArray) -> NDArray:  # type: ignore[type-arg]
    """Places of the keys from small to large, equal ones in their order (heap sort on key and place)."""
    n = keys.size
    order = np.arange(n)
    for start in range(n // 2 - 1, -1, -1):
        _sift(keys, order, start, n)
    for end in range(n - 1, 0, -1):
        order[0], order[end] = order[end], order[0]
        _sift(keys, order, 0, end)
    return order


@njit(cache=True, nogil=True)
def _sift(keys: NDArray, order: NDArray, start: int, end: int) -> None:  # type: ignore[type-arg]
    i = start
    while True:
        j = 2 * i + 1
        if j >= end:
            return
        if j + 1 < end:
            a, b = order[j], order[j + 1]
            if keys[a] < keys[b] or (keys[a] == keys[b] and a < b):
                j += 1
        a, b = order[i], order[j]
        if keys[a] < keys[b] or (keys[a] == keys[b] and a < b):
            order[i], order[j] = b, a
            i = j
        else:
            return


@njit(cache=True, nogil=True)
def _below(values: NDArray, limit: float) -> int:  # type: ignore[type-arg]
    """How many values lie below a limit."""
    n = 0
    for k in range(values.size):
        n += values[k] < limit
    return n


@njit(cache=True, nogil=True)
def middle_of(values: NDArray) -> float:  # type: ignore[type-arg]
    """Median of at least one value, none of them NaN.

    A limit that parts them into halves is found by bisection: counting runs on several values at once, and sorting
    does not.
    """
    n = values.size
    half = n // 2
    low, high = values.min(), values.max()
    # From here on: fewer than or as many as `half` lie below `low`, more below anything above `high`.
    limit, rounds = low, 0
    while True:
        rounds += 1
        if rounds % _LOOK == 0:
            # Equal values in the middle would take as many rounds as a number has digits.
            least, most = np.inf, -np.inf
            for k in range(n):
                v = values[k]
                least = min(least, v if v >= low else np.inf)
                most = max(most, v if v <= high else -np.inf)
            if least == most:
                limit = least
                break
        limit = 0.5 * (low + high)
        if limit <= low or limit >= high:
            # Nothing lies between: equal values are in the middle.
            limit = high if _below(values, high) <= half else low
            break
        below = _below(values, limit)
        if below == half:
            break
        if below < half:
            low = limit
        else:
            high = limit
    upper = np.inf
    lower = -np.inf
    below = 0
    for k in range(n):
        v = values[k]
        if v < limit:
            below += 1
            lower = max(lower, v)
        else:
            upper = min(upper, v)
    if n % 2 or below < half:
        return float(upper)
    return float(0.5 * (lower + upper))


@njit(cache=True, nogil=True)
def sort_columns(table: NDArray[np.uint16]) -> None:
    """Put each column of a table in rising order, in place (odd-even merge sort, Batcher 1968).

    Which rows are compared does not hang on their values, so that many columns are sorted at once.
    """
    n, m = table.shape
    p = 1
    while p < n:
        k = p
        while k >= 1:
            for j in range(k % p, n - k, 2 * k):
                for i in range(j, min(j + k, n - k)):
                    if i // (2 * p) != (i + k) // (2 * p):
                        continue
                    upper, lower = table[i], table[i + k]
                    for x in range(m):
                        a, b = upper[x], lower[x]
                        upper[x], lower[x] = min(a, b), max(a, b)
            k //= 2
        p *= 2
