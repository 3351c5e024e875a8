"""Arrays of records inside kernels."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def twice(records: NDArray[np.void]) -> NDArray[np.void]:
    """The records, and as much room again."""
    more = np.zeros(2 * records.size, dtype=records.dtype)
    for k in range(records.size):
        more[k] = records[k]
    return more
