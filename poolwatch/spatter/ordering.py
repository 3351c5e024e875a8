"""Sorting inside kernels: the same on every machine, and quick to compile."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


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
def middle_of(values: NDArray, n: int) -> float:  # type: ignore[type-arg]
    """Median of the first `n` values, `n` > 0; their order is lost (selection by parting, Hoare 1961)."""
    half = n // 2
    low, high = 0, n - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while pivot < values[j]:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if half <= j:
            high = j
        elif half >= i:
            low = i
        else:
            break
    upper = values[half]
    if n % 2:
        return float(upper)
    lower = values[0]
    for k in range(1, half):
        lower = max(lower, values[k])
    return float(0.5 * (lower + upper))
