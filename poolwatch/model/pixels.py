"""Frames of 8 and of 16 bits for one and the same kernel: one for each kind would take twice as long to compile."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Frames of 8 and of 16 bits, shape (n, h, w) each; the kind that a clip does not have is (0, h, w).
Frames = tuple[NDArray[np.uint8], NDArray[np.uint16]]


def by_depth(frames: NDArray[np.unsignedinteger]) -> Frames:
    """Frames (n, h, w), which are not copied unless they lie scattered, as `Frames`."""
    none = (0, *frames.shape[1:])
    if frames.dtype == np.uint8:
        return np.ascontiguousarray(frames, dtype=np.uint8), np.empty(none, dtype=np.uint16)
    return np.empty(none, dtype=np.uint8), np.ascontiguousarray(frames, dtype=np.uint16)


@njit(cache=True, nogil=True)
def part_of(frames: Frames, i: int, r0: int, r1: int, c0: int, c1: int) -> NDArray[np.uint16]:
    """Rows `r0` to `r1` and columns `c0` to `c1` (excluded) of frame `i`, copied."""
    narrow, wide = frames
    if len(narrow) == 0:
        part: NDArray[np.uint16] = wide[i, r0:r1, c0:c1].copy()
        return part
    out = np.empty((r1 - r0, c1 - c0), dtype=np.uint16)
    for y in range(r1 - r0):
        row, seen = out[y], narrow[i, r0 + y, c0:c1]
        for x in range(row.size):
            row[x] = seen[x]
    return out


@njit(cache=True, nogil=True)
def whole(frames: Frames, i: int, room: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Frame `i` as 16-bit values; `room`, shape (h, w), is overwritten where they have to be made."""
    narrow, wide = frames
    if len(narrow) == 0:
        one: NDArray[np.uint16] = wide[i]
        return one
    for y in range(len(room)):
        row, seen = room[y], narrow[i, y]
        for x in range(row.size):
            row[x] = seen[x]
    return room


@njit(cache=True, nogil=True)
def grey_at(frames: Frames, i: int, y: int, x: int) -> int:
    """One grey value."""
    narrow, wide = frames
    return int(narrow[i, y, x]) if len(narrow) > 0 else int(wide[i, y, x])
