"""What stands out of the registered neighbours of a frame, bright or dark.

The neighbours show the same metal at the same place, so marks on it vanish from the difference. A particle is there in
this frame and gone in the neighbours; what has been a particle or liquid in one neighbour is not in the others, and the
middle two of four leave it out. Of three, the outer two are taken.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Grey value of a residual of 0, and its steps for a whole full scale: a residual of either sign fits into 16 bits.
MIDDLE = UNIT = 32767.5
# Twice `MIDDLE`: what turns dark over into bright.
FULL = 65535.0
# The middle two neighbours may differ by so many standard deviations of a pixel, either way of their mean, before
# they begin to count as disagreeing; from twice as many on all that lies between them is explained.
_AGREE = 1.5
# In so many rows and columns at the border neighbours are read from beyond it, by repeating what is there: so many
# standard deviations more must stand out.
_BORDER, _DOUBT = 2, 5.0
# Beyond all grey values: too few neighbours show this place.
_FAR = 2e5


class Contrast(NamedTuple):
    """How grey values become residuals.

    Attributes
    ----------
    read, shot
        Variance of a pixel at brightness 0, and its increase per grey value.
    scale
        Steps of the residual for one grey value.
    level
        Grey value of the metal that is `MIDDLE` in a picture of what lies behind.
    """

    read: float
    shot: float
    scale: float
    level: float


@njit(cache=True, nogil=True, error_model="numpy")
def stand_out(
    frame: NDArray[np.generic],
    near: NDArray[np.float32],
    contrast: Contrast,
    out: NDArray[np.uint16],
    behind: NDArray[np.uint16],
) -> None:
    """Residual of a frame against the middle of its neighbours, as a picture about `MIDDLE`.

    Where the middle two differ, only what lies beyond both stands out, and by as much as it does: liquid in some of the
    neighbours, or a particle, explains what lies between.

    Parameters
    ----------
    frame
        Grey values, shape (h, w).
    near
        Neighbours at the same place of the metal, shape (4, h, w).
    contrast
        See `Contrast`.
    out
        Residuals, shape (h, w), overwritten.
    behind
        Brightness of the metal that a particle hides, in the same steps about `MIDDLE`, shape (h, w), overwritten.
    """
    h, w = out.shape
    edge = min(_BORDER, w // 2)
    for i in range(h):
        rows = near[0, i], near[1, i], near[2, i], near[3, i]
        doubt = _DOUBT if i < _BORDER or i >= h - _BORDER else 0.0
        both = out[i], behind[i]
        _row(frame[i], rows, (0, edge), contrast, _DOUBT, both)
        _row(frame[i], rows, (edge, w - edge), contrast, doubt, both)
        _row(frame[i], rows, (w - edge, w), contrast, _DOUBT, both)


@njit(cache=True, nogil=True, error_model="numpy")
def _row(
    row: NDArray[np.generic],
    near: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]],
    span: tuple[int, int],
    contrast: Contrast,
    doubt: float,
    result: tuple[NDArray[np.uint16], NDArray[np.uint16]],
) -> None:
    """`stand_out` for a span of a row; `doubt` standard deviations more must stand out."""
    first, last = span
    seen, out, behind = row[first:last], result[0][first:last], result[1][first:last]
    a, b, c, d = near[0][first:last], near[1][first:last], near[2][first:last], near[3][first:last]
    read, shot = np.float32(contrast.read), np.float32(contrast.shot)
    scale, middle = np.float32(contrast.scale), np.float32(MIDDLE + 0.5)
    level = np.float32(contrast.level)
    half, agree, far, more = np.float32(0.5), np.float32(_AGREE), np.float32(_FAR), np.float32(doubt)
    nothing, most, two_fold = np.float32(0.0), np.float32(65535.0), np.float32(2.0)
    # Comparisons written out: without the care for NaN that `min` and `max` take, the compiler works on several pixels.
    for j in range(out.size):
        one = a[j] if a[j] < b[j] else b[j]
        two = c[j] if c[j] < d[j] else d[j]
        inner, lowest = (one, two) if one > two else (two, one)
        one = a[j] if a[j] > b[j] else b[j]
        two = c[j] if c[j] > d[j] else d[j]
        outer, highest = (one, two) if one < two else (two, one)
        low, high = (inner, outer) if inner < outer else (outer, inner)
        # One is missing.
        up = highest if lowest < -far and highest < far else high
        low = lowest if highest > far and lowest > -far else low
        ground, apart = half * (low + up), half * (up - low)
        noise = np.sqrt(read + shot * (ground if ground > nothing else nothing))
        dead = two_fold * (apart - agree * noise)
        dead = dead if dead > nothing else nothing
        dead = (dead if dead < apart else apart) + more * noise
        above = np.float32(seen[j]) - ground
        size = abs(above) - dead
        size = size if apart < far else nothing
        size = size if size > nothing else nothing
        value = middle + scale * (size if above > nothing else -size)
        value = value if value > nothing else nothing
        out[j] = np.uint16(np.int32(value if value < most else most))
        value = middle + scale * (ground - level) if apart < far else middle
        value = value if value > nothing else nothing
        behind[j] = np.uint16(np.int32(value if value < most else most))
